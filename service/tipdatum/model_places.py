"""What a data model expects at a place: a table's keys, a value's kind, its bounds."""

from __future__ import annotations

import types
import typing
from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, Any, TypeAlias

from pydantic import BaseModel

Location: TypeAlias = Sequence[int | str]
Bounds: TypeAlias = dict[str, float]
"""gt, ge, lt, le → limit."""


def bare(annotation: Any) -> tuple[Any, tuple[Any, ...]]:
    """An annotation without Annotated and None: its kind and its arguments; of alternatives the first."""
    while typing.get_origin(annotation) is Annotated:
        annotation = typing.get_args(annotation)[0]
    if typing.get_origin(annotation) in (typing.Union, types.UnionType):
        return bare(alternatives(annotation)[0])
    origin = typing.get_origin(annotation)
    return (origin, typing.get_args(annotation)) if origin else (annotation, ())


def alternatives(annotation: Any) -> tuple[Any, ...]:
    """The kinds of value that may stand there, None apart."""
    while typing.get_origin(annotation) is Annotated:
        annotation = typing.get_args(annotation)[0]
    if typing.get_origin(annotation) in (typing.Union, types.UnionType):
        return tuple(a for a in typing.get_args(annotation) if a is not type(None))
    return (annotation,)


def is_table(kind: Any) -> bool:
    """Whether a kind is a table with keys of its own."""
    return isinstance(kind, type) and issubclass(kind, BaseModel)


def at(model: type[BaseModel], location: Location) -> tuple[Any, Bounds]:
    """Annotation and numeric bounds of what stands at a location; (None, {}) where nothing can."""
    annotation: Any = model
    metadata: Sequence[Any] = ()
    for part in location:
        annotation, metadata = _step(annotation, part)
        if annotation is None:
            return None, {}
    return annotation, _bounds(annotation, metadata)


def keys_at(model: type[BaseModel], location: Location) -> list[str]:
    """The keys of the table at a location; empty where there is none."""
    kind, _ = bare(at(model, location)[0])
    return list(kind.model_fields) if is_table(kind) else []


def without_branches(model: type[BaseModel], location: Location) -> list[int | str]:
    """A location as a file has it, without the names that the validator gives alternatives and functions."""
    annotation: Any = model
    found: list[int | str] = []
    for part in location:
        if len(alternatives(annotation)) > 1:
            break
        if isinstance(part, str) and part.startswith("function-"):
            continue
        found.append(part)
        annotation, _ = _step(annotation, part)
    return found


def text_for_number(annotation: Any, data: Any, location: tuple[int | str, ...] = ()) -> Iterator[Location]:
    """Places where a text, or true or false, stands for a number; a lenient validator would take them."""
    if isinstance(data, Mapping):
        for key, value in data.items():
            inner, _ = _step(annotation, key)
            if inner is not None:
                yield from text_for_number(inner, value, (*location, key))
    elif isinstance(data, (list, tuple)):
        for i, value in enumerate(data):
            inner, _ = _step(annotation, i)
            if inner is not None:
                yield from text_for_number(inner, value, (*location, i))
    elif isinstance(data, (str, bool)) and all(bare(a)[0] in (float, int) for a in alternatives(annotation)):
        yield location


def _step(annotation: Any, part: int | str) -> tuple[Any, Sequence[Any]]:
    """One key or index further: annotation and metadata there; (None, ()) where it leads nowhere."""
    kind, items = bare(annotation)
    if is_table(kind):
        info = kind.model_fields.get(str(part))
        return (info.annotation, info.metadata) if info is not None else (None, ())
    if kind is dict and items:
        return items[1], ()
    if isinstance(part, int) and items and kind in (list, tuple):
        one_kind = kind is list or Ellipsis in items
        return items[0 if one_kind else min(part, len(items) - 1)], ()
    return None, ()


def _bounds(annotation: Any, metadata: Sequence[Any]) -> Bounds:
    found: Bounds = {}
    if typing.get_origin(annotation) is Annotated:
        inner, *own = typing.get_args(annotation)
        metadata = [*metadata, *own]
        found |= _bounds(inner, ())
    elif typing.get_origin(annotation) in (typing.Union, types.UnionType):
        for alternative in typing.get_args(annotation):
            found |= _bounds(alternative, ())
    for meta in metadata:
        for item in (meta, *getattr(meta, "metadata", ())):
            for name in ("gt", "ge", "lt", "le"):
                if isinstance(value := getattr(item, name, None), (int, float)):
                    found[name] = float(value)
    return found
