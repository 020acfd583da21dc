"""Runs real functions of the controller on unknown integers, along every path, and proves things about them.

An `Int` stands for all integers between two bounds. It does what the code under proof does with numbers:
each operation gives a new `Int`, each comparison that the bounds do not decide goes both ways, one run of
the function for each way (`paths`). What is known on a path is handed to z3, and `prove` succeeds only if z3
finds no integers for which the claim is false.

Everything that z3 sees is linear. A value is a polynomial over atoms; a product of atoms is an atom of
its own, of which z3 learns only what `relate` says: true inequalities between a product and its factors. A
quotient q of n and d is a new atom with 0 <= n - q * d < d. So z3 knows less than the whole truth: a claim
that it proves is true; a true claim may fail to be proved; a model of a failed one may be impossible.

`note` sees the result of every operation, which is how bounds of intermediates are found.
"""

from __future__ import annotations

import builtins
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import CodeType, FrameType
from typing import Any

import z3

LIMIT = 1 << 30  # what no intermediate may reach
TIMEOUT_MS = 60_000

Atoms = tuple[str, ...]


class NotProved(Exception):
    """A claim that is false, or that cannot be proved."""


class Session:
    """One exploration: what z3 knows of the present path, what was decided on it, and what was noted.

    Each path is a run of its own from the start. The log of a run says how each open question was answered;
    the next run repeats the answers up to the last question that has another one, and z3 keeps what
    it knew at that point.
    """

    def __init__(self, limit: int | None = None, watch: str = "/controller/") -> None:
        self.solver = z3.SimpleSolver()
        self.solver.set("timeout", TIMEOUT_MS)
        self.limit = limit
        self.watch = watch
        self.bounds: dict[tuple[CodeType, int], int] = {}
        self.paths = 0
        self.queries = 0
        self._log: list[tuple[Any, Any, bool]] = []  # question, answer, and whether there is another answer
        self._known = -1  # up to this answer z3 knows everything already; -1: none is repeated
        self._begin()

    def _begin(self) -> None:
        self._at = 0
        self._fresh = 0
        self.limits: dict[str, tuple[int, int]] = {}
        self.products: set[Any] = set()
        self.divided: dict[Any, tuple[Int, Int]] = {}
        self.rests: dict[Any, int] = {}  # what is left over by a division, and its greatest value

    # -- paths --------------------------------------------------------------------------------------

    def run(self, body: Callable[[], None]) -> int:
        """Runs the body along every path; how many there were."""
        if _sessions:
            raise RuntimeError("one session at a time")
        _sessions.append(self)
        try:
            while True:
                self._begin()
                body()
                if self._known >= 0:
                    raise RuntimeError("a repeated run went another way")
                self.paths += 1
                if self.solver.check() == z3.unsat:
                    raise RuntimeError("nothing keeps what is assumed on this path: all would be proved")
                while self._log and not self._log[-1][2]:
                    self._log.pop()
                if not self._log:
                    return self.paths
                self.solver.pop()  # the scope of this question; later ones are closed already
                question, answer, _ = self._log[-1]
                self._log[-1] = (question, not answer, False)
                self._known = len(self._log) - 1
        finally:
            _sessions.clear()

    def decide(self, condition: z3.BoolRef) -> bool:
        """The way to go: both, one after the other, where z3 rules neither out."""
        question = condition.hash()
        if self._at < len(self._log):
            way = bool(self._repeated(question))
            if self._at == self._known:
                self._known = -1
                self.solver.add(condition if way else z3.Not(condition))
            self._at += 1
            return way
        yes = self._possible(condition)
        both = yes and self._possible(z3.Not(condition))
        self._log.append((question, yes, both))
        self._at += 1
        if both:
            self.solver.push()
            self.solver.add(condition)
        return yes

    def once(self, compute: Callable[[], Any]) -> Any:
        """What z3 said, said again when a way is gone again."""
        if self._at < len(self._log):
            answer = self._repeated("once")
        else:
            answer = compute()
            self._log.append(("once", answer, False))
        self._at += 1
        return answer

    def _repeated(self, question: Any) -> Any:
        before, answer, _ = self._log[self._at]
        if before != question:
            raise RuntimeError("a repeated run asks another question")
        return answer

    def assume(self, condition: z3.BoolRef | Bool | bool) -> None:
        """A fact of this path; on a way that is gone again z3 knows it already."""
        if isinstance(condition, Bool):
            condition = condition.term
        if self._known < 0 and condition is not True:
            self.solver.add(z3.BoolVal(False) if condition is False else condition)

    def _possible(self, condition: z3.BoolRef) -> bool:
        self.queries += 1
        self.solver.push()
        self.solver.add(condition)
        found = self.solver.check()
        self.solver.pop()
        return bool(found != z3.unsat)

    def holds(self, condition: z3.BoolRef) -> bool:
        """Whether z3 proves it for this path."""
        return not self._possible(z3.Not(condition))

    def prove(self, condition: z3.BoolRef | Bool | bool, what: str) -> None:
        """NotProved, with an example where there is one, unless the claim holds on this path."""
        if isinstance(condition, Bool):
            condition = condition.term
        if condition is True:
            return
        if condition is False:
            condition = z3.BoolVal(False)
        if self._known >= 0 or self.holds(condition):  # what is gone again was proved before
            return
        self.solver.push()
        self.solver.add(z3.Not(condition))
        found = self.solver.check()
        text = str(found)
        if found == z3.sat:
            model = self.solver.model()
            text = ", ".join(f"{name}={model[z3.Int(name)]}" for name in self.limits if "#" not in name)
        self.solver.pop()
        raise NotProved(f"{what}: {text}")

    # -- values -------------------------------------------------------------------------------------

    def integer(self, name: str, least: int, greatest: int) -> Int:
        """An unknown integer."""
        if name in self.limits:
            raise ValueError(f"{name} twice")
        self.limits[name] = (least, greatest)
        variable = z3.Int(name)
        self.assume(z3.And(variable >= least, variable <= greatest))
        return Int({(name,): 1}, least, greatest)

    def fresh(self, least: int, greatest: int) -> Int:
        self._fresh += 1
        return self.integer(f"#{self._fresh}", least, greatest)

    def note(self, result: Int) -> Int:
        """One more intermediate: where the code under proof made it, its bound is kept and proved."""
        if self.limit is None:
            return result
        frame: FrameType | None = sys._getframe(2)
        while frame is not None and frame.f_code.co_filename == __file__:
            frame = frame.f_back
        assert frame is not None
        if self.watch not in frame.f_code.co_filename:
            return result
        place = (frame.f_code, frame.f_lasti)
        size = max(-result.least, result.greatest)
        seen = self.bounds.get(place, 0)
        if size >= self.limit // 64:  # z3 knows more than the bounds do
            size = self.once(lambda: self._size(result, seen, size, place))
            result = Int(result.terms, max(result.least, -size), min(result.greatest, size))
        self.bounds[place] = max(seen, size)
        return result

    def _size(self, result: Int, seen: int, size: int, place: tuple[CodeType, int]) -> int:
        """The least bound of a value's size on this path that z3 proves."""

        def fits(bound: int) -> z3.BoolRef:
            return z3.And(result.term <= bound, result.term >= -bound)

        assert self.limit is not None
        if size <= seen:
            return size
        if self.holds(fits(seen)):
            return seen
        if size >= self.limit:
            size = self.limit - 1
            self.prove(fits(size), f"below the limit at {where(place)}")
        low = seen
        while low < size:
            middle = (low + size) // 2
            if self.holds(fits(middle)):
                size = middle
            else:
                low = middle + 1
        return size


_sessions: list[Session] = []


def session() -> Session:
    """The exploration under way."""
    assert _sessions, "symbolic values live only inside Session.run"
    return _sessions[0]


def where(place: tuple[CodeType, int]) -> str:
    """`file.py:line: expression` of an instruction."""
    code, at = place
    line, end_line, column, end_column = list(code.co_positions())[at // 2]
    name = code.co_filename.rsplit("/", 1)[-1]
    text = ""
    try:
        with open(code.co_filename, encoding="utf-8") as file:
            lines = file.read().splitlines()
        if line and end_line and column is not None and end_column is not None:
            part = lines[line - 1 : end_line]
            part[-1] = part[-1][:end_column]
            part[0] = part[0][column:]
            text = " ".join(piece.strip() for piece in part)
    except OSError:
        pass
    return f"{name}:{line} {code.co_name}: {text}"


def end() -> None:
    """Gives up what is under way."""
    _sessions.clear()


class Bool:
    """A comparison of unknowns: both ways are gone when the code asks."""

    __slots__ = ("_way", "term")

    def __init__(self, term: z3.BoolRef) -> None:
        self.term = term
        self._way: bool | None = None

    def __bool__(self) -> bool:
        if self._way is None:
            self._way = session().decide(self.term)
        return self._way


def truth(condition: Any) -> z3.BoolRef:
    """z3's form of a comparison, decided or not."""
    return condition.term if isinstance(condition, Bool) else z3.BoolVal(bool(condition))


def every(*conditions: Any) -> Bool | bool:
    """All of them; what the bounds decided needs no z3."""
    open_ones = [one for one in conditions if isinstance(one, Bool)]
    if not all(one for one in conditions if not isinstance(one, Bool)):
        return False
    return Bool(z3.And(*(one.term for one in open_ones))) if open_ones else True


def some(*conditions: Any) -> Bool | bool:
    open_ones = [one for one in conditions if isinstance(one, Bool)]
    if any(one for one in conditions if not isinstance(one, Bool)):
        return True
    return Bool(z3.Or(*(one.term for one in open_ones))) if open_ones else False


def negation(one: Any) -> Bool | bool:
    return Bool(z3.Not(one.term)) if isinstance(one, Bool) else not one


def implies(one: Any, other: Any) -> Bool | bool:
    return some(negation(one), other)


Terms = dict[Atoms, int]


def _int(value: Any) -> Int:
    if isinstance(value, Int):
        return value
    if isinstance(value, int):
        return constant(int(value))
    raise TypeError(f"not an integer: {value!r}")


def constant(value: int) -> Int:
    return Int({(): value} if value else {}, value, value)


def _bounds(terms: Terms) -> tuple[int, int]:
    """Least and greatest of a polynomial by the bounds of its atoms."""
    limits = session().limits
    low = high = 0
    for atoms, factor in terms.items():
        least = greatest = 1
        for atom in atoms:
            corners = [x * y for x in (least, greatest) for y in limits[atom]]
            least, greatest = min(corners), max(corners)
        low += min(factor * least, factor * greatest)
        high += max(factor * least, factor * greatest)
    return low, high


class Int:
    """A polynomial over atoms, and bounds of its value."""

    __slots__ = ("_term", "greatest", "least", "terms")

    def __init__(self, terms: Terms, least: int, greatest: int) -> None:
        self.terms = terms
        self.least = least
        self.greatest = greatest
        self._term: z3.ArithRef | None = None

    @property
    def term(self) -> z3.ArithRef:
        """Its linear form for z3."""
        if self._term is None:
            parts = [z3.IntVal(self.terms.get((), 0))]
            for atoms, factor in self.terms.items():
                if atoms:
                    variable = z3.Int("*".join(atoms))
                    parts.append(variable if factor == 1 else factor * variable)
            self._term = z3.Sum(parts) if len(parts) > 1 else parts[0]
        return self._term

    @property
    def known(self) -> int | None:
        """Its value where that is no unknown."""
        return self.least if self.least == self.greatest else None

    def _made(self, terms: Terms, least: int, greatest: int) -> Int:
        low, high = _bounds(terms)
        rest = session().rests.get(_key(terms))  # n - q * d written out is as good as n % d
        if rest is not None:
            low, high = max(low, 0), min(high, rest)
        return session().note(Int(terms, max(low, least), min(high, greatest)))

    # sums

    def __add__(self, other: Any) -> Int:
        return self._combine(_int(other), 1)

    def __sub__(self, other: Any) -> Int:
        return self._combine(_int(other), -1)

    def __radd__(self, other: Any) -> Int:
        return _int(other)._combine(self, 1)

    def __rsub__(self, other: Any) -> Int:
        return _int(other)._combine(self, -1)

    def _combine(self, other: Int, sign: int) -> Int:
        terms = dict(self.terms)
        for atoms, factor in other.terms.items():
            total = terms.get(atoms, 0) + sign * factor
            if total:
                terms[atoms] = total
            else:
                terms.pop(atoms, None)
        if sign > 0:
            return self._made(terms, self.least + other.least, self.greatest + other.greatest)
        return self._made(terms, self.least - other.greatest, self.greatest - other.least)

    def __neg__(self) -> Int:
        return self._made({a: -f for a, f in self.terms.items()}, -self.greatest, -self.least)

    def __invert__(self) -> Int:
        return constant(-1)._combine(self, -1)

    def __abs__(self) -> Int:
        if self.least >= 0:
            return self
        if self.greatest <= 0:
            return -self
        size = session().fresh(0, max(-self.least, self.greatest))
        t = self.term
        session().assume(z3.Or(z3.And(t >= 0, size.term == t), z3.And(t < 0, size.term == -t)))
        return session().note(size)

    # products

    def __mul__(self, other: Any) -> Int:
        return self._product(_int(other))

    __rmul__ = __mul__

    def _product(self, other: Int) -> Int:
        corners = [x * y for x in (self.least, self.greatest) for y in (other.least, other.greatest)]
        result = self._made(_expand(self, other), min(corners), max(corners))
        relate(self, other)
        return result

    def __lshift__(self, other: Any) -> Int:
        return self._product(constant(1 << _exactly(other)))

    def __rlshift__(self, other: Any) -> Int:
        return _int(other) << self

    # quotients

    def __floordiv__(self, other: Any) -> Int:
        return self._divide(_int(other), 0)

    def __rfloordiv__(self, other: Any) -> Int:
        return _int(other)._divide(self, 0)

    def __mod__(self, other: Any) -> Int:
        return self._divide(_int(other), 1)

    def __rshift__(self, other: Any) -> Int:
        return self._divide(constant(1 << _exactly(other)), 0)

    def __rrshift__(self, other: Any) -> Int:
        return _int(other) >> self

    def _divide(self, divisor: Int, which: int) -> Int:
        """The quotient (0) or what is left over (1)."""
        now = session()
        if divisor.least <= 0:
            now.prove(divisor.term > 0, "the divisor is above 0")
            divisor = Int(divisor.terms, 1, divisor.greatest)
        if self.known is not None and divisor.known is not None:
            return now.note(constant(divmod(self.known, divisor.known)[which]))
        key = (_key(self.terms), _key(divisor.terms))
        if key in now.divided:
            return now.note(now.divided[key][which])
        corners = [x // y for x in (self.least, self.greatest) for y in (divisor.least, divisor.greatest)]
        least, greatest = min(corners), max(corners)
        if least < 0 and now.once(lambda: now.holds(self.term >= 0)):
            least = 0
        if divisor.known is None:
            # n < (k + 1) d tells q <= k: found by halving, as z3 relates n and d where the bounds do not
            greatest = _halve(max(least, 0), greatest, lambda k: self.term < (k + 1) * divisor.term)
        quotient = now.fresh(least, greatest)
        rest = Int(_less(self, _expand(quotient, divisor)), 0, divisor.greatest - 1)
        now.assume(z3.And(rest.term >= 0, rest.term < divisor.term))
        if divisor.known is None:
            relate(quotient, divisor)
        now.rests[_key(rest.terms)] = rest.greatest
        now.divided[key] = (quotient, rest)
        return now.note(now.divided[key][which])

    # bits

    def __and__(self, other: Any) -> Int:
        mask = _int(other)
        if self.known is not None and mask.known is not None:
            return session().note(constant(self.known & mask.known))
        if mask.known is not None and mask.known >= 0 and (mask.known + 1) & mask.known == 0:
            if self.least >= 0 and self.greatest <= mask.known:
                return self
            return self._divide(constant(mask.known + 1), 1)
        tops = [one.greatest for one in (self, mask) if one.least >= 0]
        if not tops:
            raise NotImplementedError("& of two signed values")
        result = session().fresh(0, min(tops))
        for one in (self, mask):
            if one.least >= 0:
                session().assume(result.term <= one.term)
        return session().note(result)

    __rand__ = __and__

    def __or__(self, other: Any) -> Int:
        mask = _int(other)
        if self.known is not None and mask.known is not None:
            return session().note(constant(self.known | mask.known))
        if self.least < 0 or mask.least < 0:
            raise NotImplementedError("| of signed values")
        top = (1 << max(self.greatest.bit_length(), mask.greatest.bit_length())) - 1
        result = session().fresh(max(self.least, mask.least), top)
        session().assume(
            z3.And(result.term >= self.term, result.term >= mask.term, result.term <= self.term + mask.term)
        )
        return session().note(result)

    __ror__ = __or__

    # comparisons

    def _compare(self, other: Any, least: int, greatest: int) -> Bool | bool:
        """Whether self - other lies in least..greatest, which one of them leaves open."""
        if not isinstance(other, int | Int):
            return NotImplemented
        o = _int(other)
        terms = dict(self.terms)
        for atoms, factor in o.terms.items():
            terms[atoms] = terms.get(atoms, 0) - factor
        low, high = _bounds(terms)
        low = max(low, self.least - o.greatest)
        high = min(high, self.greatest - o.least)
        if least <= low and high <= greatest:
            return True
        if high < least or low > greatest:
            return False
        if greatest == 0 and least == 0:
            return Bool(self.term == o.term)
        return Bool(self.term <= o.term + greatest if least <= low else self.term >= o.term + least)

    def __lt__(self, other: Any) -> Any:
        return self._compare(other, -_HUGE, -1)

    def __le__(self, other: Any) -> Any:
        return self._compare(other, -_HUGE, 0)

    def __gt__(self, other: Any) -> Any:
        return self._compare(other, 1, _HUGE)

    def __ge__(self, other: Any) -> Any:
        return self._compare(other, 0, _HUGE)

    def __eq__(self, other: Any) -> Any:
        return self._compare(other, 0, 0)

    def __ne__(self, other: Any) -> Any:
        same = self.__eq__(other)
        if isinstance(same, Bool):
            return Bool(z3.Not(same.term))
        return same if same is NotImplemented else not same

    __hash__ = None  # type: ignore[assignment]

    def __bool__(self) -> bool:
        return bool(self != 0)

    def __index__(self) -> int:
        """Goes one way for each value: for places in lists, not for sums."""
        for value in range(self.least, self.greatest):
            if self == value:
                return value
        return self.greatest

    def __repr__(self) -> str:
        return f"Int({self.term}, {self.least}..{self.greatest})"


_HUGE = 1 << 200


def _exactly(value: Any) -> int:
    known = _int(value).known
    if known is None:
        raise NotImplementedError("a shift by an unknown")
    return known


def _expand(one: Int, other: Int) -> Terms:
    terms: Terms = {}
    for a, f in one.terms.items():
        for b, g in other.terms.items():
            key = tuple(sorted(a + b))
            total = terms.get(key, 0) + f * g
            if total:
                terms[key] = total
            else:
                terms.pop(key, None)
    return terms


def _less(one: Int, terms: Terms) -> Terms:
    out = dict(one.terms)
    for key, factor in terms.items():
        total = out.get(key, 0) - factor
        if total:
            out[key] = total
        else:
            out.pop(key, None)
    return out


def _key(terms: Terms) -> Any:
    return tuple(sorted(terms.items()))


def _linear(terms: Terms) -> z3.ArithRef:
    return Int(terms, 0, 0).term


def relate(one: Int, other: Int) -> None:
    """Tells z3 what is true of the product of two values with bounds.

    From x >= a and y >= b follows (x - a)(y - b) >= 0, and so for the other three corners; and where x has
    the sign of its bound or not, x y lies between x times y's bounds.
    """
    now = session()
    if one.known is not None or other.known is not None:
        return
    key = (_key(one.terms), _key(other.terms))
    if key in now.products:
        return
    now.products.add(key)
    product = _linear(_expand(one, other))
    x, y = one.term, other.term
    a, b, c, d = one.least, one.greatest, other.least, other.greatest
    facts = [
        product >= a * y + c * x - a * c,
        product >= b * y + d * x - b * d,
        product <= b * y + c * x - b * c,
        product <= a * y + d * x - a * d,
    ]
    if a < 0 < b:
        facts.append(z3.Implies(x >= 0, z3.And(product >= c * x, product <= d * x)))
        facts.append(z3.Implies(x <= 0, z3.And(product <= c * x, product >= d * x)))
    if c < 0 < d:
        facts.append(z3.Implies(y >= 0, z3.And(product >= a * y, product <= b * y)))
        facts.append(z3.Implies(y <= 0, z3.And(product <= a * y, product >= b * y)))
    now.assume(z3.And(*facts))


def nonnegative_product(one: Any, other: Any) -> Bool:
    """The fact that x >= 0 and y >= 0 give x y >= 0, for z3 to use (it is true of all integers)."""
    x, y = _int(one), _int(other)
    return Bool(z3.Implies(z3.And(x.term >= 0, y.term >= 0), _linear(_expand(x, y)) >= 0))


def equal_products(one: Any, other: Any, *factors: Any) -> None:
    """Proves that two values are equal, and tells z3 that so are their products with each factor."""
    now = session()
    now.prove(_int(one) == other, "equal factors")
    for factor in factors:
        now.assume(_linear(_expand(_int(one), _int(factor))) == _linear(_expand(_int(other), _int(factor))))


def _halve(least: int, greatest: int, holds: Callable[[int], z3.BoolRef]) -> int:
    """The least k from `least` to `greatest` for which z3 proves it; `greatest` needs no proof."""
    now = session()

    def search() -> int:
        low, high = least, greatest
        while low < high:
            middle = (low + high) // 2
            if now.holds(holds(middle)):
                high = middle
            else:
                low = middle + 1
        return high

    return int(now.once(search))


# -- what the code under proof calls ------------------------------------------------------------------


def least_of(*values: Any) -> Any:
    """min() of unknowns, without going both ways."""
    return _extreme(values, greatest=False)


def greatest_of(*values: Any) -> Any:
    """max() of unknowns, without going both ways."""
    return _extreme(values, greatest=True)


def _extreme(values: tuple[Any, ...], greatest: bool) -> Any:
    if not any(isinstance(value, Int) for value in values):
        return builtins.max(values) if greatest else builtins.min(values)
    best = _int(values[0])
    for value in values[1:]:
        one = _int(value)
        above = one > best
        if not isinstance(above, Bool):
            best = one if above == greatest else best
            continue
        if greatest:
            result = session().fresh(max(best.least, one.least), max(best.greatest, one.greatest))
            session().assume(z3.And(result.term >= best.term, result.term >= one.term))
        else:
            result = session().fresh(min(best.least, one.least), min(best.greatest, one.greatest))
            session().assume(z3.And(result.term <= best.term, result.term <= one.term))
        session().assume(z3.Or(result.term == best.term, result.term == one.term))
        best = result
    return best


def counting(first: Any, end: Any = None) -> Iterator[Any]:
    """range() whose ends may be unknown."""
    if end is None:
        first, end = 0, first
    at = _int(first)
    while at < end:
        yield at
        at = Int({**at.terms, (): at.terms.get((), 0) + 1}, at.least + 1, at.greatest + 1)


class Array:
    """A list of unknowns: places may be unknown too.

    With `points`, z3 knows that the first so many values rise (or fall, where `up` does not hold). Without,
    a list is only its values' range: what is written must keep it, what is read is any value in it.
    """

    def __init__(
        self, name: str, count: int, least: int, greatest: int, points: Any = None, up: Any = None
    ) -> None:
        self.name, self.count, self.least, self.greatest = name, count, least, greatest
        self.points = points
        self.up = up
        self._read: list[tuple[Int, Int]] = []

    def _inside(self, at: Any) -> Int:
        place = _int(at)
        session().prove(every(place >= 0, place < self.count), f"a place in {self.name}")
        return place

    def __getitem__(self, at: Any) -> Int:
        place = self._inside(at)
        if self.points is None:
            return session().fresh(self.least, self.greatest)
        for other, value in self._read:
            if other.terms == place.terms:
                return value
        name = f"{self.name}[{place.known}]" if place.known is not None else None
        value = (
            session().integer(name, self.least, self.greatest)
            if name
            else session().fresh(self.least, self.greatest)
        )
        for other, value_there in self._read:
            for i, j, a, b in ((other, place, value_there, value), (place, other, value, value_there)):
                rises = z3.Implies(z3.And(i.term < j.term, j.term < _int(self.points).term), a.term < b.term)
                falls = z3.Implies(z3.And(i.term < j.term, j.term < _int(self.points).term), a.term > b.term)
                session().assume(rises if self.up is True else z3.If(self.up, rises, falls))
            session().assume(z3.Implies(place.term == other.term, value.term == value_there.term))
        self._read.append((place, value))
        return value

    def __setitem__(self, at: Any, value: Any) -> None:
        self._inside(at)
        if self.points is not None:
            raise NotProved(f"{self.name} is written")
        session().prove(
            every(_int(value) >= self.least, _int(value) <= self.greatest), f"a value in {self.name}"
        )


@contextmanager
def replaced(*changes: tuple[Any, str, Any]) -> Iterator[None]:
    """Sets attributes (owner, name, value) for a while; an absent one is taken away again."""
    absent = object()
    before = [(owner, name, owner.__dict__.get(name, absent)) for owner, name, _ in changes]
    try:
        for owner, name, value in changes:
            setattr(owner, name, value)
        yield
    finally:
        for owner, name, value in reversed(before):
            if value is absent:
                delattr(owner, name)
            else:
                setattr(owner, name, value)


@contextmanager
def symbolic_builtins(*modules: Any) -> Iterator[None]:
    """Gives modules a min, max and range that take unknowns."""
    with replaced(
        *(
            (module, name, value)
            for module in modules
            for name, value in (("min", least_of), ("max", greatest_of), ("range", counting))
        )
    ):
        yield
