"""Dataclasses of the package against those of the standard library, written alike."""

from __future__ import annotations

import dataclasses
import inspect
import pickle
import pkgutil
from dataclasses import field
from importlib import import_module
from typing import Any, ClassVar

import pytest

import leadline
from leadline.decide.block import Block, BlockSet
from leadline.frozen import dataclass
from leadline.records import DIVES, Table


def _class(decorate: Any) -> Any:
    """One class with all that is used in the package; the methods count what is made."""

    @decorate
    class Piece:
        mass: float
        names: list[str] = field(default_factory=list)
        colour: str = "red"
        label: str = field(init=False, repr=False, compare=False)
        kinds: ClassVar[int] = 3

        def __post_init__(self) -> None:
            object.__setattr__(self, "label", f"{self.colour} {self.mass}")

    return Piece


OURS, THEIRS = _class(dataclass(frozen=True)), _class(dataclasses.dataclass(frozen=True))
EACH = pytest.mark.parametrize("made", [OURS, THEIRS], ids=["ours", "standard"])


@EACH
def test_instances_are_made_shown_and_compared(made: Any) -> None:
    one = made(2.0, ["a"], colour="blue")
    assert (one.mass, one.names, one.colour, one.label) == (2.0, ["a"], "blue", "blue 2.0")
    assert repr(one) == "_class.<locals>.Piece(mass=2.0, names=['a'], colour='blue')"
    assert one == made(2.0, ["a"], "blue")
    assert one != made(2.0, ["a"])
    assert one != (2.0, ["a"], "blue")
    assert made(1.0).names is not made(1.0).names
    assert made.__match_args__ == ("mass", "names", "colour")
    assert [*inspect.signature(made).parameters] == ["mass", "names", "colour"]


@EACH
def test_instances_cannot_be_changed(made: Any) -> None:
    one = made(2.0)
    with pytest.raises(dataclasses.FrozenInstanceError, match="cannot assign to field 'mass'"):
        one.mass = 3.0
    with pytest.raises(dataclasses.FrozenInstanceError, match="cannot delete field 'mass'"):
        del one.mass
    with pytest.raises(TypeError, match="unhashable type: 'list'"):
        hash(one)


@EACH
def test_wrong_arguments_are_refused_by_name(made: Any) -> None:
    with pytest.raises(TypeError, match=r"Piece.__init__\(\) missing 1 required positional argument: 'mass'"):
        made()
    with pytest.raises(TypeError, match=r"Piece.__init__\(\) got an unexpected keyword argument 'size'"):
        made(1.0, size=2)


@EACH
def test_functions_of_the_standard_library_know_them(made: Any) -> None:
    one = made(2.0, ["a"])
    assert [f.name for f in dataclasses.fields(made)] == ["mass", "names", "colour", "label"]
    assert dataclasses.asdict(one) == {"mass": 2.0, "names": ["a"], "colour": "red", "label": "red 2.0"}
    assert dataclasses.replace(one, mass=3.0).label == "red 3.0"


def test_equal_ones_have_one_hash_and_travel() -> None:
    one = BlockSet(1.0, False, ((1.0, 4), (2.0, 6)))
    assert len({one, BlockSet(1.0, False, ((1.0, 4), (2.0, 6))), BlockSet(1.0)}) == 2
    assert Block(1.0) != BlockSet(1.0)
    assert pickle.loads(pickle.dumps(one)) == one  # noqa: S301 (our own bytes)
    assert isinstance(DIVES, Table)
    assert pickle.loads(pickle.dumps(DIVES)) == DIVES  # noqa: S301


def test_own_methods_stay() -> None:
    @dataclass(frozen=True)
    class Shown:
        mass: float

        def __repr__(self) -> str:
            return "shown"

        def __eq__(self, other: object) -> bool:
            return True

    assert repr(Shown(1.0)) == "shown"
    assert Shown(1.0) == Shown(2.0)
    assert hash(Shown(1.0)) == hash(Shown(1.0)) != hash(Shown(2.0))


def test_all_are_frozen() -> None:
    with pytest.raises(TypeError, match="a dataclass here is frozen"):
        dataclass(frozen=False)


def test_every_dataclass_of_the_package_is_made_quickly() -> None:
    names = [found.name for found in pkgutil.walk_packages(leadline.__path__, "leadline.")]
    classes = {
        value
        for name in names
        if name != "leadline.model.regressor"  # needs scikit-learn
        for value in vars(import_module(name)).values()
        if isinstance(value, type) and "__dataclass_fields__" in vars(value)
        if value.__module__.startswith("leadline.")
    }
    assert len(classes) > 100
    shared = vars(Block)["__setattr__"]
    assert [found for found in classes if vars(found).get("__setattr__") is not shared] == []
