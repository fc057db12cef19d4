"""Any valid settings, from the fields themselves: what a settings file may hold, and nothing else."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, time
from typing import Any, get_args, get_origin

from hypothesis import assume
from hypothesis import strategies as st
from pydantic import BaseModel, SecretStr, ValidationError
from pydantic.fields import FieldInfo

from controller.core.alarms import NOTICES
from controller.settings import Settings
from controller.settings.lines import Place
from controller.settings.words import Kind, field_kinds, is_model, item_type, models_in
from controller.simulator.climate import CLIMATES
from controller.simulator.faults import KINDS

SPECIAL: dict[str, st.SearchStrategy[Any]] = {
    "timezone": st.sampled_from(["", "Europe/Oslo", "America/Argentina/Buenos_Aires"]),
    "climate": st.sampled_from(sorted(CLIMATES)),
    "notices": st.lists(st.sampled_from(sorted(NOTICES)), max_size=3).map(tuple),
    "nordtest_class": st.sampled_from(["", "moderate"]),
    "webhook_url": st.sampled_from(["", "https://example.org/a?b=c&d=%22"]).map(SecretStr),
    "second_webhook_url": st.just(SecretStr("")),
    "heartbeat_url": st.sampled_from(["", "http://example.org/x"]).map(SecretStr),
    "services": st.sampled_from([(), (SecretStr("mailto://a:b@example.org"),)]),
    "second_services": st.just(()),
    "second_command": st.just(()),
    "settings_version": st.just(1),
}


def leaves(model: type[BaseModel], place: Place = ()) -> Iterator[tuple[Place, FieldInfo]]:
    """Every key that holds a value, and no list of tables."""
    for name, field in model.model_fields.items():
        inner = models_in(field.annotation)
        if inner and field.default is not None:
            yield from leaves(inner[0], (*place, name))
        elif not inner and not models_in(item_type(field.annotation)):
            yield (*place, name), field


LEAVES = list(leaves(Settings))
BY_NAME = {place: field for place, field in LEAVES}


def _bound(kind: Kind, *names: str) -> Any:
    for bound in kind.bounds:
        for name in names:
            if getattr(bound, name, None) is not None:
                return getattr(bound, name)
    return None


def _of(kind: Kind) -> st.SearchStrategy[Any]:
    low, high = _bound(kind, "ge", "gt"), _bound(kind, "le", "lt")
    origin = get_origin(kind.type)
    if kind.type is bool:
        return st.booleans()
    if kind.type is int:
        return st.integers(low, high)
    if kind.type is float:
        few = st.integers(int(low) if low == int(low) else int(low) + 1, int(high)).map(float)
        return st.floats(low, high) | few
    if kind.type is time:
        return st.times()
    if kind.type is datetime:
        return st.datetimes()
    if kind.type is date:
        return st.dates()
    if kind.type is str:
        return _text(kind)
    if origin is tuple:
        return st.lists(_of(Kind(*_item(get_args(kind.type)[0]))), max_size=3).map(tuple)
    return st.sampled_from(get_args(kind.type))  # Literal


def _item(annotation: Any) -> tuple[Any, tuple[Any, ...]]:
    args = get_args(annotation)
    return (args[0], tuple(args[1].metadata)) if get_origin(annotation) is not None else (annotation, ())


def _text(kind: Kind) -> st.SearchStrategy[str]:
    most = min(_bound(kind, "max_length") or 40, 40)
    least = _bound(kind, "min_length") or 0
    pattern = _bound(kind, "pattern")
    if pattern:
        return st.from_regex(pattern, fullmatch=True).filter(lambda text: least <= len(text) <= most)
    return st.text(st.characters(codec="utf-8"), min_size=least, max_size=most)


def value_of(field: FieldInfo, name: str) -> st.SearchStrategy[Any]:
    if name in SPECIAL:
        return SPECIAL[name]
    kinds = [kind for kind in field_kinds(field) if not is_model(kind.type)]
    strategy = st.one_of(*map(_of, kinds))
    return st.none() | strategy if field.default is None else strategy


def _put(tables: dict[str, Any], place: Place, value: Any) -> None:
    for name in place[:-1]:
        tables = tables.setdefault(str(name), {})
    tables[str(place[-1])] = value


@st.composite
def tables_of(draw: st.DrawFn, model: type[BaseModel]) -> dict[str, Any]:
    """A few keys of one model that stands in a list."""
    names = draw(st.lists(st.sampled_from(sorted(model.model_fields)), max_size=3, unique=True))
    return {name: draw(value_of(model.model_fields[name], name)) for name in names}


@st.composite
def any_settings(draw: st.DrawFn) -> tuple[Settings, frozenset[Place]]:
    """Valid settings, and some places that are taken for answered."""
    chosen = draw(st.lists(st.sampled_from(LEAVES), max_size=6, unique_by=lambda leaf: leaf[0]))
    tables: dict[str, Any] = {}
    for place, field in chosen:
        _put(tables, place, draw(value_of(field, str(place[-1]))))
    if draw(st.booleans()):
        probe = models_in(item_type(Settings.model_fields["probe"].annotation))[0]
        tables["probe"] = draw(st.lists(tables_of(probe), min_size=1, max_size=2))
    bench = tables.setdefault("bench", {})
    model = models_in(Settings.model_fields["bench"].annotation)[0]
    if draw(st.integers(0, 3)) == 0:
        opening = models_in(item_type(model.model_fields["opening"].annotation))[0]
        bench["opening"] = draw(st.lists(tables_of(opening), max_size=2))
    if draw(st.integers(0, 3)) == 0:
        kinds = sorted(kind for kind in KINDS if not kind.startswith("probe-"))
        bench["fault"] = [{"kind": draw(st.sampled_from(kinds)), "starts_h": draw(st.floats(0.0, 0.2))}]
    if len(tables.get("probe", ())) == 2 and draw(st.booleans()):
        bench["second_probe"] = {"lag_s": draw(st.floats(1.0, 100.0))}
    try:
        settings = Settings(**tables)
    except ValidationError:
        assume(False)
        raise
    return settings, frozenset(draw(st.sets(st.sampled_from([place for place, _ in LEAVES]), max_size=20)))
