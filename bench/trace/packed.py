"""Columns of very many ticks, kept small.

A `Packed` holds an array[n] in blocks: one number where a block has only one, else its bytes, deflated where
that is shorter. It is read like an array: slices, masks and places give arrays (long slices another Packed),
comparisons arrays of truth, and what numpy has no way to do by blocks is done on the whole column.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import numpy.typing as npt
from numpy.lib.mixins import NDArrayOperatorsMixin

Array = npt.NDArray[Any]

MOST_PLAIN = 1 << 20
"""Ticks up to which columns stay plain arrays: a run of some minutes."""

_BLOCK = 1 << 16
_Block = np.generic | bytes | npt.NDArray[Any]


class Packed(NDArrayOperatorsMixin):
    """An array[n]; `add` appends while it is made."""

    ndim = 1

    def __init__(self, kind: npt.DTypeLike) -> None:
        self.dtype = np.dtype(kind)
        self._blocks: list[_Block] = []
        self._rest: list[Array] = []  # what fills no block yet
        self._waiting = 0
        self._first = 0
        self._n = 0
        self._held: tuple[int, Array] = (-1, np.empty(0))

    def add(self, values: Array) -> None:
        """Append numbers, which are not kept but copied."""
        self._rest.append(np.array(values, self.dtype))
        self._waiting += len(values)
        self._n += len(values)
        if self._waiting < _BLOCK:
            return
        whole = np.concatenate(self._rest)
        full = len(whole) // _BLOCK * _BLOCK
        for start in range(0, full, _BLOCK):
            self._blocks.append(self._pack(whole[start : start + _BLOCK]))
        self._rest = [whole[full:].copy()]
        self._waiting = len(whole) - full

    def _pack(self, block: Array) -> _Block:
        first: np.generic = block[0]
        if (block == first).all():
            return first
        # bytes of like weight beside one another: the high ones hardly change
        weights = block.view(f"u{self.dtype.itemsize}")
        places = range(self.dtype.itemsize)
        data = b"".join((weights >> 8 * place).astype(np.uint8).tobytes() for place in places)
        deflated = zlib.compress(data, 1)
        return deflated if len(deflated) < len(data) else block.copy()

    def _unpacked(self, number: int) -> Array:
        if number == len(self._blocks):
            return np.concatenate(self._rest) if len(self._rest) > 1 else self._rest[0]
        if self._held[0] == number:
            return self._held[1]
        block = self._blocks[number]
        if isinstance(block, bytes):
            data = np.frombuffer(zlib.decompress(block), np.uint8).reshape(self.dtype.itemsize, _BLOCK)
            weights: Array = data[-1].astype(f"u{self.dtype.itemsize}")
            for plane in data[-2::-1]:
                weights <<= 8
                weights |= plane
            values = weights.view(self.dtype)
        elif isinstance(block, np.ndarray):
            values = block
        else:
            values = np.full(_BLOCK, block, self.dtype)
        self._held = (number, values)
        return values

    def __len__(self) -> int:
        return self._n

    @property
    def shape(self) -> tuple[int]:
        """As an array has it."""
        return (self._n,)

    def made(self) -> Any:
        """The column itself: to those who read it, it is an array."""
        return self

    # -- reading

    def _part(self, start: int, stop: int) -> Array:
        """The numbers [start, stop), as an array of its own."""
        found = np.empty(stop - start, self.dtype)
        at = start
        while at < stop:
            number, inside = divmod(at + self._first, _BLOCK)
            end = min(stop, at + _BLOCK - inside)
            found[at - start : end - start] = self._unpacked(number)[inside : inside + end - at]
            at = end
        return found

    def parts(self) -> Iterator[tuple[int, Array]]:
        """(first place, numbers) of one block after the other."""
        for start in range(0, self._n, _BLOCK):
            yield start, self._part(start, min(self._n, start + _BLOCK))

    def __getitem__(self, key: Any) -> Any:
        if isinstance(key, slice):
            start, stop, step = key.indices(self._n)
            if step != 1:
                return np.asarray(self)[key]
            stop = max(start, stop)
            return self._view(start, stop) if stop - start > MOST_PLAIN else self._part(start, stop)
        if isinstance(key, int | np.integer):
            place = int(key) + self._n if key < 0 else int(key)
            if not 0 <= place < self._n:
                raise IndexError(key)
            return self._part(place, place + 1)[0]
        key = np.asarray(key)
        if key.dtype == np.bool_:
            chosen = [part[key[start : start + len(part)]] for start, part in self.parts()]
            return np.concatenate(chosen) if chosen else np.empty(0, self.dtype)
        if len(key) == 0:
            return np.empty(0, self.dtype)
        least, most = int(key.min()), int(key.max())
        if least >= 0 and most - least < MOST_PLAIN:
            return self._part(least, most + 1)[key - least]
        return np.asarray(self)[key]

    def _view(self, start: int, stop: int) -> Packed:
        view = Packed(self.dtype)
        view._blocks, view._rest = self._blocks, self._rest
        view._first, view._n = self._first + start, stop - start
        return view

    def __array__(self, dtype: npt.DTypeLike | None = None, copy: bool | None = None) -> Array:
        return self._part(0, self._n).astype(dtype or self.dtype, copy=False)

    # -- reckoning

    def __array_ufunc__(self, ufunc: np.ufunc, method: str, *inputs: Any, **options: Any) -> Any:
        if method == "__call__" and not options and ufunc.nout == 1:
            return each(ufunc, *inputs)
        if method == "reduce" and ufunc.identity is None and not options and self._n:
            return ufunc.reduce([ufunc.reduce(part) for _, part in self.parts()])
        if method == "reduce" and not options:
            return ufunc.reduce([ufunc.reduce(part) for _, part in self.parts()] or [ufunc.identity])
        plain = [np.asarray(one) if isinstance(one, Packed) else one for one in inputs]
        return getattr(ufunc, method)(*plain, **options)

    def any(self) -> bool:
        """As an array has it."""
        return any(bool(part.any()) for _, part in self.parts())

    def all(self) -> bool:
        """As an array has it."""
        return all(bool(part.all()) for _, part in self.parts())

    def max(self) -> Any:
        """As an array has it."""
        return np.max([part.max() for _, part in self.parts()])

    def min(self) -> Any:
        """As an array has it."""
        return np.min([part.min() for _, part in self.parts()])

    def sum(self, dtype: npt.DTypeLike | None = None) -> Any:
        """As an array of whole numbers has it."""
        return sum(part.sum(dtype=dtype) for _, part in self.parts())

    def argmax(self, axis: None = None, out: None = None) -> int:
        """As an array has it: the first of the greatest."""
        most = [(int(part.argmax()), start, part) for start, part in self.parts()]
        values = [part[at] for at, _, part in most]
        best = int(np.argmax(values))
        return most[best][1] + most[best][0]

    def astype(self, kind: npt.DTypeLike) -> Array:
        """The whole column as an array of another type."""
        return self.__array__(kind)


class Plain:
    """An array[n] that is filled like a Packed."""

    def __init__(self, kind: npt.DTypeLike, n: int) -> None:
        self._values = np.empty(n, kind)
        self._done = 0

    def add(self, values: Array) -> None:
        """Append numbers, which are not kept but copied."""
        self._values[self._done : self._done + len(values)] = values
        self._done += len(values)

    def made(self) -> Array:
        """The array."""
        return self._values


def each(function: Callable[..., Any], *columns: Any) -> Any:
    """What a function of the numbers of one place gives for every place of columns of one length, plain or
    Packed: an array[n], worked out block by block. What is no column is given as it is."""
    return np.asarray(_applied(function, columns))


def each_packed(function: Callable[..., Any], *columns: Any) -> Any:
    """The same, Packed where a column is."""
    return _applied(function, columns, pack=True)


def is_packed(column: Any) -> bool:
    """Whether a column is one of these; to those who read it, it has the type of an array."""
    return isinstance(column, Packed)


def parts_of(column: Any) -> Iterator[Array]:
    """The numbers of a column, block by block; of an array all at once."""
    if isinstance(column, Packed):
        yield from (part for _, part in column.parts())
    else:
        yield column


def distinct(column: Any) -> list[int]:
    """The whole numbers that occur in a column, rising."""
    return sorted({int(number) for part in parts_of(column) for number in np.unique(part)})


def _applied(function: Callable[..., Any], columns: tuple[Any, ...], *, pack: bool = False) -> Any:
    pack = pack and any(isinstance(one, Packed) for one in columns)
    n = len(next(one for one in columns if isinstance(one, Packed | np.ndarray)))
    made: Any = None
    for start in range(0, n, _BLOCK) or (0,):
        found = function(*(_cut(one, start, min(n, start + _BLOCK)) for one in columns))
        if made is None:
            made = Packed(found.dtype) if pack else Plain(found.dtype, n)
        made.add(found)
    return made.made()


def _cut(column: Any, start: int, stop: int) -> Any:
    if isinstance(column, Packed):
        return column._part(start, stop)
    if isinstance(column, np.ndarray) and column.ndim:
        return column[start:stop]
    return column
