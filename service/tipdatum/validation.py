"""From a data model's refusal to one clear sentence: file, key, what was found, what is expected."""

from __future__ import annotations

import difflib
import types
import typing
from collections.abc import Mapping
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from tipdatum.errors import ConfigError

Model = TypeVar("Model", bound=BaseModel)


def parse_model(model: type[Model], data: Mapping[str, Any], file: str) -> Model:
    """`data` as `model`.

    Raises:
        ConfigError: the first thing that is wrong, by file, key, found and expected.
    """
    try:
        return model.model_validate(dict(data))
    except ValidationError as error:
        raise config_error(error, model, file) from None


def config_error(error: ValidationError, model: type[BaseModel], file: str) -> ConfigError:
    """The first complaint of `error` in this project's words."""
    complaints = error.errors()
    # An unknown key usually explains the missing one beside it, so it comes first.
    first = min(complaints, key=lambda e: e["type"] != "extra_forbidden")
    key, found, expected = describe(first, model)
    return ConfigError(file, key, found, expected)


def describe(error: ErrorDetails, model: type[BaseModel]) -> tuple[str, str, str]:
    """Key, found and expected of one complaint."""
    location = [part for part in error["loc"] if not (isinstance(part, str) and part.startswith("function-"))]
    key = dotted(location)
    kind, context = error["type"], error.get("ctx", {})
    if kind == "extra_forbidden":
        known = sorted(_fields_at(model, location[:-1]))
        near = difflib.get_close_matches(str(location[-1]), known, n=1, cutoff=0.5)
        hint = f'did you mean "{near[0]}"?' if near else f"one of {', '.join(known)}"
        return key, "a key that does not exist", hint
    if kind == "missing":
        return key, "nothing", "a value; the key is required"
    found = shown(error["input"])
    if kind == "value_error":
        text = str(context.get("error", error["msg"]))
        parts = text.split("|")
        if len(parts) == 3:
            return (f"{key}.{parts[0]}" if key else parts[0]), parts[1], parts[2]
        return key, found, text
    bounds = [
        f"{sign} {context[name]:g}"
        for name, sign in (("gt", ">"), ("ge", ">="), ("lt", "<"), ("le", "<="))
        if name in context
    ]
    if bounds:
        return key, found, _with_unit(_range_text(model, location, bounds), key)
    wanted = {
        "float_type": "a number", "float_parsing": "a number", "int_type": "a whole number",
        "int_parsing": "a whole number", "int_from_float": "a whole number", "string_type": "a text",
        "bool_type": "true or false", "bool_parsing": "true or false", "finite_number": "a finite number",
        "dict_type": "a table", "model_type": "a table", "model_attributes_type": "a table",
        "tuple_type": "a list", "list_type": "a list",
    }.get(kind)  # fmt: skip
    if wanted is None and kind == "literal_error":
        wanted = f"one of {context['expected']}"
    if wanted is None and kind == "missing_keyword_only_argument":
        wanted = "a value"
    if wanted is None and kind == "too_short":
        wanted = f"at least {context.get('min_length', 1)} entries"
    if wanted is None and kind == "string_too_short":
        wanted = "a text that is not empty"
    return key, found, _with_unit(wanted or error["msg"][:1].lower() + error["msg"][1:], key)


def dotted(location: typing.Sequence[int | str]) -> str:
    """A location as people write it: bucket[1].tip_m."""
    text = ""
    for part in location:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else str(part)
    return text


def shown(value: object) -> str:
    """A value as it stands in the file, short enough for one line."""
    if value is None:
        return "nothing"
    text = (
        f'"{value}"'
        if isinstance(value, str)
        else "true"
        if value is True
        else "false"
        if value is False
        else repr(value)
    )
    return text if len(text) <= 60 else text[:57] + "..."


def _with_unit(text: str, key: str) -> str:
    name = key.rsplit(".", 1)[-1].split("[")[0]
    for suffix, unit in (
        ("_mps2", "m/s²"), ("_radps", "rad/s"), ("_deg", "degrees"), ("_hz", "Hz"), ("_m", "metres"), ("_s", "seconds"),
    ):  # fmt: skip
        if name.endswith(suffix) and unit not in text:
            return f"{text}, in {unit}"
    return text


def _range_text(model: type[BaseModel], location: typing.Sequence[int | str], bounds: list[str]) -> str:
    info = _field_at(model, location)
    both: list[str] = []
    if info is not None:
        for meta in info.metadata:
            for name, sign in (("gt", ">"), ("ge", ">="), ("lt", "<"), ("le", "<=")):
                value = getattr(meta, name, None)
                if value is not None:
                    both.append(f"{sign} {value:g}")
    return "a number " + " and ".join(both or bounds)


def _model_of(annotation: Any) -> type[BaseModel] | None:
    """The table that an annotation such as `Linkage | None` or `dict[str, Sensor]` leads to."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    if isinstance(annotation, types.GenericAlias) or typing.get_origin(annotation) is not None:
        for argument in typing.get_args(annotation):
            found = _model_of(argument)
            if found is not None:
                return found
    return None


def _descend(
    model: type[BaseModel], location: typing.Sequence[int | str]
) -> tuple[type[BaseModel] | None, Any]:
    current: type[BaseModel] | None = model
    info: Any = None
    for part in location:
        if current is not None and isinstance(part, str) and part in current.model_fields:
            info = current.model_fields[part]
            current = _model_of(info.annotation)
        # An index or a free key (a sensor's name) stays at the same table.
    return current, info


def _fields_at(model: type[BaseModel], location: typing.Sequence[int | str]) -> list[str]:
    found, _ = _descend(model, location)
    return list(found.model_fields) if found is not None else []


def _field_at(model: type[BaseModel], location: typing.Sequence[int | str]) -> Any:
    return _descend(model, location)[1]
