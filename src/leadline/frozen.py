"""Frozen dataclasses that are made quickly: a command should not wait for its classes.

The standard library writes and compiles six methods for every frozen dataclass, for each class again, and up
to Python 3.12 one by one. That takes a millisecond a class, and what answers for one dive has a hundred of
them: a seventh of its time. Here all classes share the methods that say the same of each, and only the
constructor is compiled.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final

__all__ = ["dataclass"]

_UNSET: Final = object()


def _values(instance: Any) -> tuple[Any, ...]:
    """What two instances are compared by."""
    return tuple(getattr(instance, f.name) for f in dataclasses.fields(instance) if f.compare)


def _equal(self: Any, other: Any) -> Any:
    return _values(self) == _values(other) if other.__class__ is self.__class__ else NotImplemented


def _hash(self: Any) -> int:
    return hash(_values(self))


def _repr(self: Any) -> str:
    shown = (f"{f.name}={getattr(self, f.name)!r}" for f in dataclasses.fields(self) if f.repr)
    return f"{type(self).__qualname__}({', '.join(shown)})"


def _set(self: Any, name: str, value: Any) -> None:
    raise dataclasses.FrozenInstanceError(f"cannot assign to field {name!r}")


def _delete(self: Any, name: str) -> None:
    raise dataclasses.FrozenInstanceError(f"cannot delete field {name!r}")


_SHARED: Final = {
    "__eq__": _equal,
    "__hash__": _hash,
    "__repr__": _repr,
    "__setattr__": _set,
    "__delattr__": _delete,
}


def _constructor(cls: type) -> Callable[..., None]:
    """The constructor: one parameter a field; what is no parameter is left to `__post_init__`."""
    known: dict[str, Any] = {"_set": object.__setattr__, "_unset": _UNSET}
    parameters, body = ["self"], []
    for number, field in enumerate(f for f in dataclasses.fields(cls) if f.init):
        default, value = "", field.name
        if field.default is not dataclasses.MISSING:
            known[f"_{number}"] = field.default
            default = f"=_{number}"
        elif field.default_factory is not dataclasses.MISSING:
            known[f"_{number}"] = field.default_factory
            default, value = "=_unset", f"_{number}() if {field.name} is _unset else {field.name}"
        parameters.append(field.name + default)
        body.append(f"_set(self, {field.name!r}, {value})")
    if hasattr(cls, "__post_init__"):
        body.append("self.__post_init__()")
    made: dict[str, Any] = {}
    lines = "\n    ".join(body or ["pass"])
    exec(f"def __init__({', '.join(parameters)}):\n    {lines}", known, made)  # noqa: S102 (names of fields)
    constructor: Callable[..., None] = made["__init__"]
    constructor.__qualname__ = f"{cls.__qualname__}.__init__"
    return constructor


if TYPE_CHECKING:
    from dataclasses import dataclass
else:

    def dataclass(*, frozen: bool) -> Callable[[type], type]:
        """`dataclasses.dataclass(frozen=True)`, with the same use and the same fields.

        Parameters
        ----------
        frozen : bool
            True; it stands there so that a class reads, to people and type checkers, as any other.

        Returns
        -------
        callable
            Decorator of a class.

        Raises
        ------
        TypeError
            If `frozen` is not true.

        Notes
        -----
        Methods that the class has itself stay. A class made by this one does not inherit from a frozen one of
        the standard library, nor the other way round.

        Examples
        --------
        >>> @dataclass(frozen=True)
        ... class Piece:
        ...     mass: float
        ...     name: str = "a piece"
        >>> Piece(2.0), Piece(2.0) == Piece(2.0), dataclasses.replace(Piece(2.0), mass=3.0).mass
        (Piece(mass=2.0, name='a piece'), True, 3.0)
        >>> Piece(2.0).mass = 1.0
        Traceback (most recent call last):
            ...
        dataclasses.FrozenInstanceError: cannot assign to field 'mass'
        """
        if not frozen:
            raise TypeError("a dataclass here is frozen: @dataclass(frozen=True)")

        def made(cls: type) -> type:
            own = set(vars(cls))
            dataclasses.dataclass(init=False, repr=False, eq=False)(cls)
            for name, method in ({"__init__": _constructor(cls)} | _SHARED).items():
                if name not in own or (name == "__hash__" and vars(cls)[name] is None):
                    setattr(cls, name, method)
            return cls

        return made
