"""Finds the field that a place in the settings belongs to, and values of the wrong make.

In:    a settings class and the nested tables read for it.
Out:   the field, its type and its value at a place; values written as another kind of
       value than the field holds, which the models alone would convert in silence.
Never: changes a value.

Measured with pydantic: "50" passes as 50, 1 as true, and the number 730 as 00:12:10.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, datetime, time, timedelta
from typing import Any, NamedTuple

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from controller.core.units import has_unit
from controller.settings.lines import Place
from controller.settings.words import (
    Kind,
    choices_in,
    field_kinds,
    item_type,
    kinds_of,
    models_in,
    unit_examples,
)

MISSING: Any = object()
"""Stands for a value that is not there."""


class Spot(NamedTuple):
    """What is known of one place."""

    place: Place
    annotation: Any  # None where no field is known
    value: Any
    field: FieldInfo | None = None
    owner: type[BaseModel] | None = None  # the model that the last key is a key of

    @property
    def kinds(self) -> tuple[Kind, ...]:
        return field_kinds(self.field) if self.field is not None else kinds_of(self.annotation)

    @property
    def name(self) -> str:
        return next((str(part) for part in reversed(self.place) if isinstance(part, str)), "")


def spot_at(model: type[BaseModel], data: Any, loc: Sequence[int | str]) -> Spot:
    """Follows an error's location; parts of it that name no key (the branch of a type) are passed over."""
    spot = Spot((), model, data)
    for part in loc:
        spot = step(spot, part) or spot
    return spot


def step(spot: Spot, part: int | str) -> Spot | None:
    """One key or list position further in; None where there is no such thing."""
    value = spot.value
    place = (*spot.place, part)
    if isinstance(part, int):
        if not isinstance(value, list | tuple):
            return None
        inside = value[part] if 0 <= part < len(value) else MISSING
        return Spot(place, item_type(spot.annotation), inside, owner=spot.owner)
    model = model_for(spot.annotation, value)
    inside = value.get(part, MISSING) if isinstance(value, dict) else MISSING
    field = model.model_fields.get(part) if model is not None else None
    if field is None and inside is MISSING:
        return None
    return Spot(place, field.annotation if field is not None else None, inside, field, model)


def model_for(annotation: Any, value: Any) -> type[BaseModel] | None:
    """The model a table is meant for; among several the one whose fixed key the table has."""
    models = models_in(annotation)
    if len(models) > 1 and isinstance(value, dict):
        for model in models:
            for name, field in model.model_fields.items():
                if name in value and value[name] in choices_in(field_kinds(field)):
                    return model
    return models[0] if models else None


def known_places(model: type[BaseModel], name: str, around: tuple[type, ...] = ()) -> Iterator[Place]:
    """Every place at which a key of this name is known; list positions are left out."""
    for key, field in model.model_fields.items():
        if key == name:
            yield (key,)
        for inner in models_in(field.annotation) + models_in(item_type(field.annotation)):
            if inner not in around:
                for place in known_places(inner, name, (*around, inner)):
                    yield (key, *place)


def wrong_make(annotation: Any, value: Any, place: Place = (), textual: bool = False) -> Iterator[Place]:
    """The places of values that are written as another kind of value than the field holds.

    ``textual``: the value is a single environment variable, where a number can only be text.
    """
    model = model_for(annotation, value)
    if isinstance(value, dict) and model is not None:
        for key, inside in value.items():
            field = model.model_fields.get(key)
            if field is not None and not _with_its_unit(field, inside):
                yield from wrong_make(field.annotation, inside, (*place, key))
    elif isinstance(value, list):
        item = item_type(annotation)
        for number, inside in enumerate(value):
            yield from wrong_make(item, inside, (*place, number))
    elif _is_wrong({kind.type for kind in kinds_of(annotation)}, value, textual):
        yield place


def _with_its_unit(field: FieldInfo, value: Any) -> bool:
    """Whether it is a text like "61 °F" where one may stand."""
    return isinstance(value, str) and has_unit(value) and bool(unit_examples(field_kinds(field)))


def _is_wrong(kinds: set[Any], value: Any, textual: bool) -> bool:
    if not kinds:
        return False
    if time in kinds and has_offset(value):
        return True
    if isinstance(value, bool):
        return bool not in kinds and bool(kinds & {int, float})
    if isinstance(value, str):
        return not textual and kinds <= {int, float, bool}
    if isinstance(value, int | float):
        return kinds <= {bool, time, date, datetime, timedelta}
    return False


def has_offset(value: Any) -> bool:
    """True for a time of day that names a time zone: 07:30Z."""
    if isinstance(value, str):
        try:
            value = time.fromisoformat(value)
        except ValueError:
            return False
    return isinstance(value, time) and value.tzinfo is not None
