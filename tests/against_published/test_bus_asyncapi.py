"""The contract document against AsyncAPI's own JSON Schema, and its payloads against their schemas.

Source: schemas/3.0.0.json of the npm package @asyncapi/specs 6.11.1 (the specification's own, Apache-2.0). It
is fetched once with npm and kept in pytest's cache; without npm or a network the test says so and is skipped.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import tarfile
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft7Validator, Draft202012Validator

from tipdatum.bus import contract
from tipdatum.bus.contract import GUIDE, MESSAGES, asyncapi, json_schemas
from tipdatum.bus.contract_versions import VERSIONS
from tipdatum.bus.examples import EXAMPLES
from tipdatum.bus.messages import CONTRACT_VERSION
from tipdatum.bus.topics import DELIVERY
from tipdatum.grade.commands import COMMANDS

PACKAGE = "@asyncapi/specs@6.11.1"
SHIPPED = Path(contract.__file__).parents[1] / "docs" / "contract"
REBUILD = "tipdatum describe --output-dir service/tipdatum/docs/contract"


@pytest.fixture(scope="module")
def specification(request: pytest.FixtureRequest, tmp_path_factory: Any) -> dict[str, Any]:
    """AsyncAPI 3.0.0 as a JSON Schema."""
    # Kept for the next run, but where pytest runs without its cache.
    cache = getattr(request.config, "cache", None)
    folder = cache.mkdir("asyncapi-specs-6.11.1") if cache is not None else tmp_path_factory.mktemp("specs")
    kept = folder / "3.0.0.json"
    if not kept.exists():
        npm = shutil.which("npm")
        if npm is None:
            pytest.skip(f"needs {PACKAGE} once, and there is no npm here to fetch it")
        got = subprocess.run([npm, "pack", PACKAGE], cwd=folder, capture_output=True, timeout=90, check=False)
        archive = next(folder.glob("*.tgz"), None)
        if got.returncode or archive is None:
            pytest.skip(f"needs {PACKAGE} once, and npm could not fetch it: {got.stderr[-200:].decode()}")
        with tarfile.open(archive) as files:
            member = files.extractfile("package/schemas/3.0.0.json")
            assert member is not None
            kept.write_bytes(member.read())
    found: dict[str, Any] = json.loads(kept.read_text())
    return found


def complaints(validator: Any, document: Any) -> list[str]:
    return [f"{list(e.absolute_path)}: {e.message[:200]}" for e in validator.iter_errors(document)]


def test_the_document_is_valid_asyncapi(specification: dict[str, Any]) -> None:
    assert complaints(Draft7Validator(specification), asyncapi()) == []


def test_the_specification_refuses_a_document_that_is_wrong(specification: dict[str, Any]) -> None:
    broken = asyncapi()
    broken["operations"]["publish_tip"]["action"] = "shout"
    assert complaints(Draft7Validator(specification), broken) != []


def test_every_reference_leads_somewhere_and_every_command_has_a_place() -> None:
    document = asyncapi("site7")

    def walk(node: Any) -> None:
        if isinstance(node, dict):
            if isinstance(node.get("$ref"), str):
                target: Any = document
                for part in node["$ref"].removeprefix("#/").split("/"):
                    target = target[part]
            for value in node.values():
                walk(value)
        elif isinstance(node, list):
            for value in node:
                walk(value)

    walk(document)
    addresses = {channel["address"] for channel in document["channels"].values()}
    assert {f"site7/{{machineId}}/command/{name}" for name in COMMANDS} <= addresses


def test_every_topic_that_is_published_is_described() -> None:
    assert set(DELIVERY) == {*MESSAGES, *GUIDE, "value", "text"}


@pytest.mark.parametrize("name", sorted(MESSAGES | GUIDE))
def test_examples_satisfy_both_schemas(name: str) -> None:
    document = asyncapi()
    alone = json_schemas()[name.replace("/", "-")]
    Draft202012Validator.check_schema(alone)
    model = (MESSAGES | GUIDE)[name].__name__
    within = {"$ref": f"#/components/schemas/{model}", "components": document["components"]}
    for example in EXAMPLES[name]:
        payload = example.model_dump(mode="json")
        assert complaints(Draft202012Validator(alone), payload) == []
        assert complaints(Draft7Validator(within), payload) == []


def test_schemas_refuse_what_is_no_message() -> None:
    tip = json_schemas()["tip"]
    payload = EXAMPLES["tip"][0].model_dump(mode="json")
    for wrong in ({"elevation_m": "101"}, {"quality": "fine"}, {"unknown_key": 1}):
        assert complaints(Draft202012Validator(tip), payload | wrong) != []
    assert complaints(Draft202012Validator(tip), {k: v for k, v in payload.items() if k != "datum"}) != []


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_takes_the_common_keys_and_refuses_others(name: str) -> None:
    schema = json_schemas()[f"command-{name.replace('/', '-')}"]
    Draft202012Validator.check_schema(schema)
    assert {"request_id", "by"} <= set(schema["properties"])
    known = complaints(Draft202012Validator(schema), {"request_id": "1", "by": "me"})
    strange = complaints(Draft202012Validator(schema), {"request_id": "1", "by": "me", "no such key": 1})
    assert len(strange) > len(known)


def test_a_changed_message_needs_a_version_and_a_note() -> None:
    version = VERSIONS.get(CONTRACT_VERSION)
    assert version is not None, f"no note for version {CONTRACT_VERSION} in contract_versions.py"
    assert version.fingerprint == contract.fingerprint(), (
        "messages, commands or topics have changed: raise CONTRACT_VERSION in messages.py, and add to "
        f'contract_versions.py Version("{contract.fingerprint()}", "what is new")'
    )
    assert version.note


def test_versions_rise() -> None:
    numbers = [tuple(map(int, version.split("."))) for version in VERSIONS]
    assert numbers == sorted(set(numbers))
    assert numbers[-1] == tuple(map(int, CONTRACT_VERSION.split(".")))


def test_the_shipped_documents_are_those_of_this_version() -> None:
    def same(path: Path, document: dict[str, Any]) -> bool:
        shipped = json.loads(path.read_text()) if path.exists() else {}
        for one in (shipped, document):
            one.get("info", {}).pop("x-service-version", None)
        return bool(shipped == document)

    files = {SHIPPED / "asyncapi.json": asyncapi()}
    files |= {SHIPPED / "schemas" / f"{name}.json": schema for name, schema in json_schemas().items()}
    assert [str(path) for path, document in files.items() if not same(path, document)] == [], REBUILD
    assert set(SHIPPED.rglob("*.json")) == set(files), REBUILD
