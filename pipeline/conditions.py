"""Which frames are meant, as a condition on what is known of each: ``rating >= 4 and not stale``.

    condition  = also , { "or" , also } ;
    also       = one , { "and" , one } ;
    one        = "not" , one | "(" , condition , ")" | comparison ;
    comparison = field , [ sign , value
                         | [ "not" ] , "in" , "(" , value , { "," , value } , ")"
                         | [ "not" ] , "like" , text ] ;
    sign       = "==" | "!=" | "<" | "<=" | ">" | ">=" ;
    value      = number | text | time | "true" | "false" | "none" ;
    number     = [ "-" ] , digits , [ "." , digits | "/" , digits ] ;
    text       = '"' , { any character but '"' } , '"' | "'" , { any character but "'" } , "'" ;
    time       = day , [ "T" , clock ] | clock ;
    day        = 4 * digit , "-" , 2 * digit , "-" , 2 * digit ;
    clock      = 2 * digit , ":" , 2 * digit , [ ":" , 2 * digit ] ;

(EBNF of ISO/IEC 14977.) A field alone asks whether it is true. ``none`` is what nobody noted: it is
equal to itself, unlike all else, and neither above nor below anything. A time is compared as far as
it is written, so that ``taken_at <= 2026-05-20`` has that whole day in it; a number in six digits,
for 1/60 s is noted as 0.01666666667. ``like`` takes ``*`` and ``?``, or a range, as
``selection.FramePattern`` does. Of several values of a field, one has to fit.

Parsed by hand; nothing of it is ever evaluated as code. Knows no frames, only names and kinds.
"""

from __future__ import annotations

import operator
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, time
from typing import Any, Literal, NoReturn

from pipeline.selection import FramePattern
from pipeline.wording import listed, or_did_you_mean, shown

Kind = Literal["number", "text", "word", "flag", "time"]
"""``word`` is one of a few words; it has no order."""

MOST_CHARACTERS = 2000
MOST_DEPTH = 50
"""Parentheses and ``not`` inside each other. Both ours: far beyond what anybody types."""


@dataclass(frozen=True, slots=True)
class Field:
    """What is known of every frame under a name: one value, or ``several`` as a tuple.

    ``words`` are all that a ``word`` can be, ``least`` and ``most`` the bounds of a ``number``.
    """

    kind: Kind
    words: tuple[str, ...] = ()
    least: float | None = None
    most: float | None = None
    several: bool = False

    @property
    def has_order(self) -> bool:
        """Whether one value can be above another."""
        return self.kind not in ("word", "flag") and not self.several

    @property
    def allowed(self) -> str:
        """What it can be compared with, in words."""
        within = f" from {self.least:g} to {self.most:g}" if self.least is not None else ""
        kinds: dict[Kind, str] = {
            "number": f"a number{within}",
            "text": "text in quotes",
            "word": ", ".join(f'"{word}"' for word in self.words),
            "flag": "true, false",
            "time": "a day such as 2026-05-20, a day and time such as 2026-05-20T18:30, or 18:30",
        }
        return f"{kinds[self.kind]}, none" if self.least is None else kinds[self.kind]


RATING = Field("number", least=-1, most=5)
"""xmp:Rating, ISO 16684-1: -1 rejected, 0 unrated, 1 to 5."""
Known = Mapping[str, Any]
"""Of one frame: the value of every field, None where nobody noted it; times as in ``Capture``."""
Test = Callable[[Known], bool]


@dataclass(frozen=True, slots=True)
class Condition:
    """A condition that was understood."""

    text: str
    holds: Test

    @classmethod
    def parse(cls, text: str, fields: Mapping[str, Field]) -> Condition:
        """Raises ``NotUnderstood`` with where, what, and what is allowed."""
        if len(text) > MOST_CHARACTERS:
            raise NotUnderstood(1, f"{len(text)} characters", f"at most {MOST_CHARACTERS}")
        return cls(text, _Parser(list(_tokens(text)), fields).whole())


class NotUnderstood(ValueError):
    """``column`` counts characters from 1."""

    def __init__(self, column: int, found: str, allowed: str) -> None:
        self.column, self.found, self.allowed = column, found, allowed
        super().__init__(f"column {column}: {found}; allowed: {allowed}")


@dataclass(frozen=True, slots=True)
class _Token:
    """``kind`` is a group of ``_TOKEN``, or ``end``; ``text`` is as it was written."""

    kind: str
    text: str
    column: int

    def __str__(self) -> str:
        if self.kind == "end":
            return "nothing more"
        return self.text if self.text.isprintable() and self.kind == "quoted" else shown(self.text)


_TOKEN = re.compile(
    r"""
    (?P<space>\s+)
    | (?P<time>[0-9]{4}-[0-9]{2}-[0-9]{2}(T[0-9]{2}:[0-9]{2}(:[0-9]{2})?)?
        |[0-9]{2}:[0-9]{2}(:[0-9]{2})?)(?![\w.:/-])
    | (?P<number>-?[0-9]{1,15}([./][0-9]{1,15})?)(?![\w.:/-])
    | (?P<quoted>"[^"]*"|'[^']*')
    | (?P<word>[A-Za-z_][\w.]*)
    | (?P<sign>==|!=|<=|>=|<|>)
    | (?P<mark>[(),])
    | (?P<wrong>["'].*|[^\s()<>=!,"']+|.)
    """,
    re.VERBOSE | re.DOTALL,
)
_OPERATORS: Mapping[str, Callable[[Any, Any], bool]] = {
    "==": operator.eq,
    "!=": operator.ne,
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
}
_OWN_WORDS = ("and", "or", "not", "in", "like", "true", "false", "none")


def _tokens(text: str) -> Iterator[_Token]:
    for match in _TOKEN.finditer(text):
        kind, column = str(match.lastgroup), match.start() + 1
        if kind == "wrong":
            _refuse_letters(match[0], column)
        if kind != "space":
            yield _Token(kind, match[0], column)
    yield _Token("end", "", len(text) + 1)


def _refuse_letters(text: str, column: int) -> NoReturn:
    """What is no word, number, time, text or sign at all."""
    if text[0] in "\"'":
        raise NotUnderstood(column, f"the quote {text[0]} is not closed", f"text{text[0]}")
    if text in ("=", "!"):
        raise NotUnderstood(column, shown(text), listed(_OPERATORS))
    if text[0] in "0123456789-.":
        allowed = "a number such as 4, 2.8 or 1/125, or a time such as 2026-05-20 or 18:30"
        raise NotUnderstood(column, shown(text), allowed)
    raise NotUnderstood(column, shown(text), "fields, signs, numbers, text in quotes")


class _Parser:
    """Recursive descent, one method for each rule of the grammar."""

    def __init__(self, tokens: Sequence[_Token], fields: Mapping[str, Field]) -> None:
        self.tokens, self.fields = tokens, fields
        self.place = self.depth = 0

    def whole(self) -> Test:
        """All of the text."""
        test = self._any()
        if self._next.kind != "end":
            raise self._refused("and, or, or the end")
        return test

    # --- the grammar ---

    def _any(self) -> Test:
        tests = [self._all()]
        while self._took("or"):
            tests.append(self._all())
        return tests[0] if len(tests) == 1 else lambda known: any(test(known) for test in tests)

    def _all(self) -> Test:
        tests = [self._one()]
        while self._took("and"):
            tests.append(self._one())
        return tests[0] if len(tests) == 1 else lambda known: all(test(known) for test in tests)

    def _one(self) -> Test:
        at = self._next
        if at.text not in ("not", "("):
            return self._comparison()
        self.depth += 1
        if self.depth > MOST_DEPTH:
            found = f"more than {MOST_DEPTH} parentheses and nots inside each other"
            raise NotUnderstood(at.column, found, f"{MOST_DEPTH}")
        if self._took("not"):
            test = self._negated(self._one())
        else:
            self._take("(", "")
            test = self._any()
            self._take(")", "and, or, )")
        self.depth -= 1
        return test

    def _comparison(self) -> Test:
        at = self._next
        if at.kind != "word" or at.text in _OWN_WORDS:
            raise self._refused(f"a field ({listed(self.fields)}), not, (")
        name, field = at.text, self.fields.get(at.text)
        if field is None:
            close = or_did_you_mean(name, self.fields)
            found = f"no field called {shown(name)}{close}"
            raise NotUnderstood(at.column, found, listed(self.fields))
        self.place += 1
        if self._next.kind == "sign":
            return self._signed(name, field)
        negated = self._took("not")
        if self._took("in"):
            test = self._in(name, field)
        elif self._next.text == "like":
            test = self._like(name, field)
        elif negated:
            raise self._refused("in, like")
        elif field.kind == "flag":
            test = _matching(name, field, bool)
        else:
            raise self._refused(f"{listed(_OPERATORS)}, in, like" + self._text_hint(field))
        return self._negated(test) if negated else test

    def _signed(self, name: str, field: Field) -> Test:
        sign = self._next
        self.place += 1
        if sign.text in ("==", "!="):
            equal = _matching(name, field, self._value(field))
            return equal if sign.text == "==" else self._negated(equal)
        if not field.has_order:
            found = f"{name} has no order, and {sign.text}"
            raise NotUnderstood(sign.column, found, "==, !=, in")
        at = self._next
        if at.text == "none":
            raise NotUnderstood(at.column, f"none after {sign.text}", "==, != before none")
        return _matching(name, field, self._value(field, _OPERATORS[sign.text]))

    def _in(self, name: str, field: Field) -> Test:
        self._take("(", "( and values")
        values = [self._value(field)]
        while self._took(","):
            values.append(self._value(field))
        self._take(")", "a comma, )")
        return _matching(name, field, lambda value: any(equal(value) for equal in values))

    def _like(self, name: str, field: Field) -> Test:
        at = self._next
        if field.kind not in ("text", "word"):
            raise NotUnderstood(at.column, f"like, and {name} is no text", listed(_OPERATORS))
        self.place += 1
        at = self._next
        if at.kind != "quoted":
            raise self._refused('text in quotes with * and ?, such as "QL00*"')
        self.place += 1
        try:
            pattern = FramePattern.parse(at.text[1:-1])
        except ValueError as error:
            allowed = 'text with * and ?, or a range such as "QL00[02-19]"'
            raise NotUnderstood(at.column, str(error), allowed) from None
        return _matching(name, field, lambda value: value is not None and pattern.matches(value))

    # --- values ---

    def _value(
        self, field: Field, compare: Callable[[Any, Any], bool] = operator.eq
    ) -> Callable[[Any], bool]:
        """Whether what is known compares so with the value that comes next."""
        at = self._next
        if at.text == "none" and field.least is None:
            self.place += 1
            return lambda value: value is None
        written = self._read(field, at)
        self.place += 1
        if field.kind == "time":
            return lambda value: value is not None and compare(_cut(value, written), written)
        if field.kind == "number":
            return lambda value: value is not None and compare(_short(value), _short(written))
        return lambda value: value is not None and compare(value, written)

    def _read(self, field: Field, at: _Token) -> Any:
        match field.kind, at.kind:
            case "number", "number":
                return self._number(field, at)
            case "text" | "word", "quoted":
                text = at.text[1:-1]
                if field.words and text not in field.words:
                    found = f"{shown(text)}{or_did_you_mean(text, field.words)}"
                    raise NotUnderstood(at.column, found, field.allowed)
                return text
            case "flag", "word" if at.text in ("true", "false"):
                return at.text == "true"
            case "time", "time" | "quoted":
                return self._time(field, at)
        raise self._refused(field.allowed + self._text_hint(field))

    def _number(self, field: Field, at: _Token) -> float:
        above, _, below = at.text.partition("/")
        if below and not int(below):
            raise NotUnderstood(at.column, f"{at.text}, divided by nought", field.allowed)
        number = float(above) / float(below or 1)
        if (field.least is not None and number < field.least) or (
            field.most is not None and number > field.most
        ):
            raise NotUnderstood(at.column, at.text, field.allowed)
        return number

    def _time(self, field: Field, at: _Token) -> str:
        text = at.text.strip("\"'")
        match = _TOKEN.fullmatch(text)
        day, _, clock = text.rpartition("T") if "T" in text else (text, "", "")
        if ":" in day:
            day, clock = "", day
        try:
            if match is None or match.lastgroup != "time":
                raise ValueError
            if day:
                date.fromisoformat(day)
            if clock:
                time.fromisoformat(clock)
        except ValueError:
            raise NotUnderstood(at.column, str(at), field.allowed) from None
        return text

    # --- tokens ---

    @property
    def _next(self) -> _Token:
        return self.tokens[self.place]

    def _took(self, text: str) -> bool:
        """Whether this word or mark comes next; then it is passed."""
        if self._next.text != text:
            return False
        self.place += 1
        return True

    def _take(self, text: str, allowed: str) -> None:
        if not self._took(text):
            raise self._refused(allowed)

    def _refused(self, allowed: str) -> NotUnderstood:
        at = self._next
        found = str(at)
        if at.kind == "word" and at.text not in (*_OWN_WORDS, *self.fields):
            words = [word for word in _OWN_WORDS if word in re.split(r"[, ]+", allowed)]
            found += or_did_you_mean(at.text, words)
        return NotUnderstood(at.column, found, allowed)

    def _text_hint(self, field: Field) -> str:
        """A text that was written without its quotes is written out with them."""
        at = self._next
        bare = at.kind == "word" and at.text not in _OWN_WORDS and field.kind in ("text", "word")
        return f'; in quotes: "{at.text}"' if bare else ""

    @staticmethod
    def _negated(test: Test) -> Test:
        return lambda known: not test(known)


def _matching(name: str, field: Field, fits: Callable[[Any], bool]) -> Test:
    if not field.several:
        return lambda known: fits(known[name])
    return lambda known: any(fits(value) for value in known[name] or (None,))


def _cut(taken_at: str, written: str) -> str:
    """As much of a capture time as the time that it is compared with says."""
    start = 0 if written[4:5] == "-" else len("2026-05-20T")
    return taken_at[start : start + len(written)]


def _short(number: float) -> float:
    """In six digits."""
    return float(f"{number:.6g}")
