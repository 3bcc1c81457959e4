"""The contract as a document: AsyncAPI 3.0 and JSON Schemas, generated from the models and nothing else.

Pure. Sources: AsyncAPI 3.0.0 specification; MQTT bindings 0.2.0; payloads are JSON Schema draft 07 there
(the schema object of AsyncAPI is a superset of it), and draft 2020-12 in the schemas that stand alone.
"""

from __future__ import annotations

import hashlib
import json
from typing import Any, get_args

from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

from tipdatum import __version__
from tipdatum.bus import messages as m
from tipdatum.bus.examples import EXAMPLES
from tipdatum.bus.guide_messages import GuideAnswer, GuideView
from tipdatum.bus.orders import MAX_BY_CHARACTERS, MAX_REQUEST_ID_CHARACTERS
from tipdatum.bus.small import Text, Value
from tipdatum.bus.topics import DELIVERY, ROOT
from tipdatum.grade.commands import COMMANDS

MESSAGES: dict[str, type[m.Message]] = {
    "tip": m.Tip,
    "arm": m.Arm,
    "limits": m.Limits,
    "raw": m.Raw,
    "angle": m.RawAngle,
    "status": m.Status,
    "about": m.About,
    "state": m.State,
    "changes": m.Changes,
    "health": m.Health,
    "reply": m.Reply,
    "event": m.Happening,
}
"""Topic → what it carries."""

GUIDE: dict[str, type[m.Message]] = {"guide": GuideView, "guide/do": GuideAnswer}
"""Topic → what it carries, between `tipdatum guide` and its page."""

PER_SENSOR = ("health", "raw", "angle")
"""Topics with a sensor's name at the end."""

DESCRIPTION = """\
What tipdatum publishes about one excavator, and the commands it takes.

Live figures (tip, arm, limits, raw, angle, value, text) are never retained: who comes late waits for the next
one, a fraction of a second. State (status, about, state, changes, health) is retained. A value that is not
known is null; show that it is not known, and show nothing older than a second as if it were new: compare
`time`, or your own clock since the last message. While `status` says offline there are no figures.

Every command takes `request_id` and `by` beside its own keys. It is answered on the reply topic and, where
the MQTT 5 response topic is given, there too with its correlation data. The same request id again gets the
same answer and is carried out once.

guide and guide/do are between `tipdatum guide`, a client of its own that leads a calibration, and its
page; the service takes no part in them.

Elevations are metres in the height system of the reference, positive up; deviation is positive where
material is left to cut. Figures are advisory: no safety device, no substitute for a survey, for local rules
or for licensed practice."""


def asyncapi(root: str = ROOT) -> dict[str, Any]:
    """The AsyncAPI 3.0 document."""
    channels: dict[str, Any] = {}
    operations: dict[str, Any] = {}
    parts: dict[str, Any] = {}
    for name, model in MESSAGES.items():
        sensor = {"sensor": "name of the sensor, or of its driver where the sensor is not known"}
        channels[name] = _channel(root, name, model.__name__, sensor if name in PER_SENSOR else {})
        parts[model.__name__] = _json_message(name, model)
        operations[f"publish_{name}"] = _published(name, _doc(model))
    for name, names, what in (
        (
            "value",
            get_args(Value),
            "One figure or word, without JSON; empty where it is not known. online is 1 with every round of "
            "figures and 0 when the service takes its leave.",
        ),
        ("text", get_args(Text), "Text ready to show, in the operator's units; --- where it is not known."),
    ):
        channels[name] = _channel(root, name, f"Plain{name.title()}", {"name": ", ".join(names)}, names)
        parts[f"Plain{name.title()}"] = {
            "name": name,
            "summary": what,
            "contentType": "text/plain",
            "payload": {"type": "string"},
        }
        operations[f"publish_{name}"] = _published(name, what)
    for name, model in GUIDE.items():
        key = _key(name)
        channels[key] = _channel(root, name, model.__name__, {})
        parts[model.__name__] = _json_message(name, model)
        operations[f"publish_{key}"] = _published(name, _doc(model))
    for command, spec in COMMANDS.items():
        key = _key(command)
        channels[f"command_{key}"] = _channel(root, f"command/{command}", f"Command_{key}", {})
        parts[f"Command_{key}"] = {
            "name": command,
            "summary": spec.help,
            "contentType": "application/json",
            "payload": {"$ref": f"#/components/schemas/Command_{key}"},
        }
        operations[f"command_{key}"] = _command(key, spec.help)
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "tipdatum",
            "version": m.CONTRACT_VERSION,
            "description": DESCRIPTION,
            "license": {"name": "Apache-2.0"},
            "x-service-version": __version__,
        },
        "defaultContentType": "application/json",
        "servers": _servers(),
        "channels": channels,
        "operations": operations,
        "components": {"messages": parts, "schemas": _schemas()},
    }


def json_schemas() -> dict[str, dict[str, Any]]:
    """Name → JSON Schema (2020-12) of every message and command, each complete in itself."""
    found: dict[str, dict[str, Any]] = {}
    for name, model in MESSAGES.items():
        found[name] = model.model_json_schema(mode="serialization")
    found["guide"] = GuideView.model_json_schema(mode="serialization")
    found["guide-do"] = GuideAnswer.model_json_schema()
    for command, spec in COMMANDS.items():
        found[f"command-{command.replace('/', '-')}"] = _with_common(spec.body.model_json_schema())
    for name, schema in found.items():
        schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
        schema["$id"] = f"urn:tipdatum:{m.CONTRACT_VERSION}:{name}"
    return found


def fingerprint() -> str:
    """Changes when a message or command changes, not when its words do."""
    bare = _without_words(json_schemas())
    for schema in bare.values():
        del schema["$id"]
    topics = {name: [d.qos, d.retain, d.expiry_s] for name, d in DELIVERY.items()}
    plain = [sorted(get_args(Value)), sorted(get_args(Text))]
    text = json.dumps([bare, topics, plain], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _servers() -> dict[str, Any]:
    will = {
        "topic": f"{ROOT}/{{machineId}}/status",
        "qos": 1,
        "retain": True,
        "message": '{"state":"offline"}',
    }
    bindings = {"mqtt": {"cleanSession": True, "lastWill": will}}
    return {
        "broker": {
            "host": "broker.example:1883",
            "protocol": "mqtt",
            "protocolVersion": "5",
            "description": "the broker that the service's file names; MQTT 5, or 3.1.1 where it knows no 5",
            "bindings": bindings,
        },
        "embedded": {
            "host": "127.0.0.1:1883",
            "protocol": "mqtt",
            "protocolVersion": "3.1.1",
            "description": "the broker that comes with the service, where the file names none",
        },
    }


def _channel(
    root: str, topic: str, message: str, parts: dict[str, str], names: tuple[str, ...] = ()
) -> dict[str, Any]:
    parameters: dict[str, Any] = {"machineId": {"description": "small letters, digits and hyphens"}}
    for part, text in parts.items():
        parameters[part] = {"description": text, **({"enum": list(names)} if names else {})}
    return {
        "address": "/".join([root, "{machineId}", topic, *(f"{{{part}}}" for part in parts)]),
        "parameters": parameters,
        "messages": {message: {"$ref": f"#/components/messages/{message}"}},
    }


def _json_message(name: str, model: type[BaseModel]) -> dict[str, Any]:
    return {
        "name": name,
        "summary": _doc(model),
        "contentType": "application/json",
        "payload": {"$ref": f"#/components/schemas/{model.__name__}"},
        "examples": [{"payload": example.model_dump(mode="json")} for example in EXAMPLES[name]],
    }


def _published(name: str, summary: str) -> dict[str, Any]:
    delivery = DELIVERY[name]
    binding: dict[str, Any] = {"qos": delivery.qos, "retain": delivery.retain}
    if delivery.expiry_s is not None:
        binding["messageExpiryInterval"] = delivery.expiry_s
    return {
        "action": "send",
        "channel": {"$ref": f"#/channels/{_key(name)}"},
        "summary": summary,
        "bindings": {"mqtt": binding},
    }


def _command(key: str, summary: str) -> dict[str, Any]:
    return {
        "action": "receive",
        "channel": {"$ref": f"#/channels/command_{key}"},
        "summary": summary,
        "bindings": {"mqtt": {"qos": 1, "retain": False}},
        "reply": {
            "address": {
                "location": "$message.header#/responseTopic",
                "description": "the MQTT 5 response topic; the reply topic has every answer besides",
            },
            "channel": {"$ref": "#/channels/reply"},
        },
    }


def _schemas() -> dict[str, Any]:
    models: list[Any] = [(model, "serialization") for model in MESSAGES.values()]
    models += [(GuideView, "serialization"), (GuideAnswer, "validation")]
    _, described = models_json_schema(models, ref_template="#/components/schemas/{model}")
    schemas: dict[str, Any] = dict(described["$defs"])
    for command, spec in COMMANDS.items():
        key = f"Command_{_key(command)}"
        body = spec.body.model_json_schema(ref_template=f"#/components/schemas/{key}_{{model}}")
        for name, part in body.pop("$defs", {}).items():
            schemas[f"{key}_{name}"] = part
        schemas[key] = _with_common(body)
    return {name: _draft07(schema) for name, schema in schemas.items()}


def _with_common(body: dict[str, Any]) -> dict[str, Any]:
    """The keys that every command takes, beside its own."""
    properties = dict(body.get("properties", {}))
    properties["request_id"] = {
        "type": "string",
        "maxLength": MAX_REQUEST_ID_CHARACTERS,
        "description": "the same id again is the same request: answered again, carried out once",
    }
    properties["by"] = {
        "type": "string",
        "maxLength": MAX_BY_CHARACTERS,
        "description": "who gives the command, for the log of changes; a hint, no proof",
    }
    return {**body, "properties": properties}


def _draft07(schema: Any) -> Any:
    """A schema in the words of draft 07 and AsyncAPI: no siblings of $ref, no prefixItems."""
    if isinstance(schema, list):
        return [_draft07(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    found = {key: _draft07(value) for key, value in schema.items()}
    if "prefixItems" in found:
        found["items"] = found.pop("prefixItems")
    if isinstance(found.get("discriminator"), dict):
        found["discriminator"] = found["discriminator"]["propertyName"]
    if "$ref" in found and len(found) > 1:
        found["allOf"] = [{"$ref": found.pop("$ref")}]
    return found


def _without_words(schema: Any) -> Any:
    """A schema without titles and descriptions (a property may have such a name; it is kept)."""
    if isinstance(schema, list):
        return [_without_words(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    return {
        key: _without_words(value)
        for key, value in schema.items()
        if not (key in ("description", "title") and isinstance(value, str))
    }


def _key(command: str) -> str:
    return command.replace("/", "_").replace("-", "_")


def _doc(model: type[BaseModel]) -> str:
    return " ".join((model.__doc__ or "").split("\n\n")[0].split())
