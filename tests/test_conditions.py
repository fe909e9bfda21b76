"""Conditions against a second evaluation of them, written from the grammar and the rules alone."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Any, NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.conditions import MOST_DEPTH, RATING, Condition, Field, NotUnderstood

FIELDS = {
    "rating": RATING,
    "frame": Field("text"),
    "setup": Field("text"),
    "state": Field("word", words=("ingested", "select", "developed")),
    "stale": Field("flag"),
    "burst.sharpest": Field("flag"),
    "taken_at": Field("time"),
    "exposure_s": Field("number"),
    "shot": Field("text", several=True),
}
FRAME: dict[str, Any] = {
    "rating": 4,
    "frame": "QL0007",
    "setup": None,
    "state": "select",
    "stale": False,
    "burst.sharpest": None,
    "taken_at": "2026-05-20T18:31:02.120+02:00",
    "exposure_s": 0.008,
    "shot": ("hero", "detail"),
}


def holds(text: str, **known: Any) -> bool:
    return Condition.parse(text, FIELDS).holds({**FRAME, **known})


@pytest.mark.parametrize(
    "text",
    [
        "rating >= 4",
        "rating>3 and rating<=4",
        "not rating == 5",
        "rating in (3, 4)",
        "rating not in (-1, 5)",
        "rating == 5 or rating == 4 and not stale",
        "(rating == 5 or rating == 4) and frame == 'QL0007'",
        "not stale and stale == false and stale != true",
        "not burst.sharpest and burst.sharpest == none and burst.sharpest != false",
        "setup == none and setup != 'quay' and not setup in ('quay', \"dusk\")",
        "setup in ('quay', none)",
        "not setup < 'z' and not setup > 'a' and not setup like '*' and setup not like '*'",
        "state == 'select' and state like 'sel*'",
        "frame like 'QL*' and frame like '??0007' and frame not like 'ql*'",
        "frame like 'QL00[05-09]' and frame not like 'QL00[08-09]'",
        "frame > 'QL0006' and frame < 'QL0010'",
        "exposure_s == 1/125 and exposure_s > 1/250 and exposure_s < 0.01",
        "taken_at == 2026-05-20 and taken_at <= 2026-05-20 and not taken_at > 2026-05-20",
        "taken_at == 2026-05-20T18:31 and taken_at == '2026-05-20T18:31:02'",
        "taken_at >= 18:30 and taken_at < 18:31:03 and taken_at in (18:31, 19:00)",
        "shot == 'hero' and shot == 'detail' and not shot != 'hero' and shot like 'h*'",
        "shot != 'wide' and shot != none and shot in ('wide', 'hero')",
    ],
)  # fmt: skip
def test_what_holds_of_a_frame(text: str) -> None:
    assert holds(text)


def test_what_is_not_noted() -> None:
    assert holds("shot == none", shot=())
    assert not holds("shot == 'hero' or shot like '*'", shot=())
    assert not holds("taken_at < 2030-01-01 or taken_at >= 2000-01-01", taken_at=None)
    assert holds("taken_at != 2030-01-01 and not exposure_s <= 1", taken_at=None, exposure_s=None)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "column 1: nothing more; allowed: a field (rating, frame, setup,"),
        ("rating", "column 7: nothing more; allowed: ==, !=, <, <=, >, >=, in, like"),
        ("rating => 4", 'column 8: "="; allowed: ==, !=, <'),
        ("rating >= 6", "column 11: 6; allowed: a number from -1 to 5"),
        ("rating >= four", 'column 11: "four"; allowed: a number from -1 to 5'),
        ("rating == none", 'column 11: "none"; allowed: a number from -1 to 5'),
        ("ratign == 4", 'column 1: no field called "ratign", did you mean rating?; allowed: '),
        ("rating == 4 adn stale", 'column 13: "adn", did you mean and?; allowed: and, or, or the'),
        ("state == 'selct'", 'column 10: "selct", did you mean select?; allowed: "ingested", '),
        ("state < 'select'", "column 7: state has no order, and <; allowed: ==, !=, in"),
        ("shot > 'a'", "column 6: shot has no order, and >; allowed: ==, !=, in"),
        ("setup == quay", 'column 10: "quay"; allowed: text in quotes, none; in quotes: "quay"'),
        ("setup > none", "column 9: none after >; allowed: ==, != before none"),
        ("setup == 'quay", "column 10: the quote ' is not closed; allowed: text'"),
        ("setup like 4", 'column 12: "4"; allowed: text in quotes with * and ?'),
        ("setup like 'A[1-9]*'", "column 12: a range and * or ? in one; allowed: text with"),
        ("rating like '4'", "column 8: like, and rating is no text; allowed: ==, !=,"),
        ("(rating == 4", "column 13: nothing more; allowed: and, or, )"),
        ("rating == 4)", 'column 12: ")"; allowed: and, or, or the end'),
        ("rating in 4", 'column 11: "4"; allowed: ( and values'),
        ("rating in ()", 'column 12: ")"; allowed: a number from -1 to 5'),
        ("rating == 4 or", "column 15: nothing more; allowed: a field"),
        ("3 < rating < 5", 'column 1: "3"; allowed: a field'),
        ("rating < 4 < 5", 'column 12: "<"; allowed: and, or, or the end'),
        ("exposure_s == 1/0", "column 15: 1/0, divided by nought; allowed: a number"),
        ("exposure_s == 1e9", 'column 15: "1e9"; allowed: a number such as 4, 2.8 or 1/125'),
        ("taken_at > 2026-02-30", 'column 12: "2026-02-30"; allowed: a day such as 2026-05-20'),
        ("taken_at > 2026-05", 'column 12: "2026-05"; allowed: a number such as'),
        ("__import__('os')", 'column 1: no field called "__import__"; allowed: rating,'),
        ("rating >= 4; x", 'column 12: ";"; allowed: fields, signs'),
        ("setup == '\x1b[1m'", None),
    ],
)  # fmt: skip
def test_what_is_not_understood_is_said_with_its_column(text: str, sentence: str | None) -> None:
    if sentence is None:
        assert not holds(text)
        return
    with pytest.raises(NotUnderstood, match="^" + re.escape(sentence)):
        Condition.parse(text, FIELDS)


def test_numbers_that_have_no_end_are_what_they_are_written_as() -> None:
    for noted in (0.01666666667, 0.0166666666, 1 / 60):  # exiftool prints ten digits
        assert holds("exposure_s == 1/60 and exposure_s <= 1/60", exposure_s=noted)
        assert holds("not exposure_s < 1/60 and exposure_s > 1/61", exposure_s=noted)


def test_depth_and_length_are_bounded() -> None:
    deep = "(" * MOST_DEPTH + "stale" + ")" * MOST_DEPTH
    assert not holds(deep)
    assert holds("not " * (MOST_DEPTH - 1) + "stale")  # an odd number of times
    for text in (f"({deep})", "not " * 300 + "stale", "stale or " * 500 + "stale"):
        with pytest.raises(NotUnderstood, match=r"inside each other|at most 2000"):
            Condition.parse(text, FIELDS)
    assert holds(" or ".join(["stale"] * 150 + ["rating == 4"]))


# --- a second evaluation --------------------------------------------------------------------------


class Said(NamedTuple):
    """A condition as it is written, and whether it ought to hold of a frame with these values."""

    text: str
    expected: bool


NAMES = ("QL0006", "QL0007", "ql0007", "", "a b", 'with "quotes"', "é*", "[1-2]")
SIGNS = ("==", "!=", "<", "<=", ">", ">=")


def quoted(text: str) -> str:
    return f"'{text}'" if '"' in text else f'"{text}"'


HOLDS = {"==": {0}, "!=": {-1, 1}, "<": {-1}, "<=": {-1, 0}, ">": {1}, ">=": {0, 1}}
"""Where what is known has to lie, below, at or above, for each sign."""


def compared(sign: str, known: Any, written: Any) -> bool:
    """What nobody noted is unlike all else, and has no place in order."""
    if known is None:
        return sign == "!="
    return (known > written) - (known < written) in HOLDS[sign]


def globbed(pattern: str, text: str) -> bool:
    """By dynamic programming over both, as a textbook would."""
    row = [True] + [False] * len(text)
    for letter in pattern:
        if letter == "*":
            row = [any(row[: at + 1]) for at in range(len(text) + 1)]
        else:
            row = [False] + [row[at] and letter in ("?", text[at]) for at in range(len(text))]
    return row[-1]


@st.composite
def frames(draw: st.DrawFn) -> dict[str, Any]:
    second = draw(st.integers(0, 59))
    taken = (
        f"2026-05-{draw(st.integers(19, 21))}T18:{draw(st.integers(29, 32))}:{second:02}.5+02:00"
    )
    return {
        "rating": draw(st.integers(-1, 5)),
        "frame": draw(st.sampled_from(NAMES)),
        "setup": draw(st.sampled_from([None, *NAMES])),
        "state": draw(st.sampled_from(FIELDS["state"].words)),
        "stale": draw(st.booleans()),
        "burst.sharpest": draw(st.sampled_from([None, True, False])),
        "taken_at": draw(st.sampled_from([None, taken])),
        "exposure_s": draw(st.sampled_from([None, 0.5, 0.25, 0.125, 2.0, 3.0])),
        "shot": tuple(draw(st.lists(st.sampled_from(NAMES), max_size=3, unique=True))),
    }


def comparison(draw: st.DrawFn, frame: dict[str, Any]) -> Said:
    field = draw(st.sampled_from(sorted(FIELDS)))
    kinds = {"number": of_numbers, "flag": of_flags, "time": of_times}
    return kinds.get(FIELDS[field].kind, of_texts)(draw, field, frame[field])


def of_numbers(draw: st.DrawFn, field: str, known: float | None) -> Said:
    sign = draw(st.sampled_from(SIGNS))
    if field == "rating":
        numbers = draw(st.lists(st.integers(-1, 5), min_size=1, max_size=4))
        if draw(st.booleans()):
            return Said(f"rating in ({', '.join(map(str, numbers))})", known in numbers)
        return Said(f"rating{sign}{numbers[0]}", compared(sign, known, numbers[0]))
    above, below = draw(st.integers(-3, 9)), draw(st.sampled_from([1, 2, 4, 8]))
    exact = None if known is None else Fraction(known)
    return Said(f"{field} {sign} {above}/{below}", compared(sign, exact, Fraction(above, below)))


def of_flags(draw: st.DrawFn, field: str, known: bool | None) -> Said:
    if draw(st.booleans()):
        return Said(field, known is True)
    word = draw(st.sampled_from(["true", "false", "none"]))
    same = known is {"true": True, "false": False, "none": None}[word]
    return Said(f"{field} != {word}", not same)


def of_times(draw: st.DrawFn, field: str, known: str | None) -> Said:
    sign = draw(st.sampled_from(SIGNS))
    spans = ((19, 21), (29, 32), (0, 59))
    day, minute, second = (draw(st.integers(*span)) for span in spans)
    day_known, _, clock = (known or "T").partition("T")
    text, short = draw(
        st.sampled_from(
            [
                (f"2026-05-{day}", day_known),
                (f"2026-05-{day}T18:{minute}", f"{day_known}T{clock[:5]}"),
                (f"2026-05-{day}T18:{minute}:{second:02}", f"{day_known}T{clock[:8]}"),
                (f"18:{minute}", clock[:5]),
                (f"18:{minute}:{second:02}", clock[:8]),
            ]
        )
    )
    return Said(f"{field} {sign} {text}", compared(sign, known and short, text))


def of_texts(draw: st.DrawFn, field: str, known: Any) -> Said:
    values = [value for value in (known if field == "shot" else (known,)) if value is not None]
    words = FIELDS[field].words or NAMES
    how, negated = draw(st.sampled_from(["like", "in", "sign"])), draw(st.booleans())
    if how == "like":
        pattern = draw(st.text("QL07*?ab ", max_size=6))
        fits = any(globbed(pattern, value) for value in values)
        return Said(f"{field} {'not ' * negated}like {quoted(pattern)}", fits != negated)
    if how == "in":
        chosen = draw(st.lists(st.sampled_from([*words, None]), min_size=1, max_size=3))
        listed = " , ".join("none" if word is None else quoted(word) for word in chosen)
        fits = bool(set(values) & set(chosen)) or (not values and None in chosen)
        return Said(f"{field} {'not ' * negated}in ( {listed} )", fits != negated)
    word = draw(st.sampled_from(words))
    if field in ("state", "shot"):
        sign = "!=" if negated else "=="
        return Said(f"{field} {sign} {quoted(word)}", (word in values) != negated)
    sign = draw(st.sampled_from(SIGNS))
    return Said(f"{field} {sign} {quoted(word)}", compared(sign, known, word))


def written(draw: st.DrawFn, frame: dict[str, Any], depth: int) -> Said:
    """A condition that is built from small ones, with parentheses only where they have to be."""
    kind = draw(st.sampled_from(["comparison", "not", "and", "or"])) if depth else "comparison"
    if kind == "comparison":
        return comparison(draw, frame)
    parts = [written(draw, frame, depth - 1) for _ in range(1 if kind == "not" else 2)]
    if kind == "or":
        return Said(f"({parts[0].text} or {parts[1].text})", parts[0].expected or parts[1].expected)
    if kind == "and":
        return Said(f"{parts[0].text} and {parts[1].text}", parts[0].expected and parts[1].expected)
    [part] = parts
    return Said(f"not({part.text})", not part.expected)


@settings(max_examples=100, deadline=None)
@given(st.data())
def test_agrees_with_a_second_evaluation(data: st.DataObject) -> None:
    frame = data.draw(frames())
    said = data.draw(st.composite(lambda draw: written(draw, frame, 3))())
    assert Condition.parse(said.text, FIELDS).holds(frame) is said.expected, said.text


@settings(max_examples=50, deadline=None)
@given(st.data())
def test_and_binds_more_closely_than_or(data: st.DataObject) -> None:
    frame = data.draw(frames())
    parts = [data.draw(st.composite(lambda draw: comparison(draw, frame))()) for _ in range(3)]
    (a, first), (b, second), (c, third) = parts
    holding = Condition.parse(f"{a} or {b} and {c}", FIELDS).holds(frame)
    assert holding is (first or (second and third))
    holding = Condition.parse(f"not {a} and {b} or {c}", FIELDS).holds(frame)
    assert holding is (((not first) and second) or third)


PIECES = [
    *FIELDS, *SIGNS, "in", "like", "and", "or", "not", "(", ")", ",", "none", "true", "4", "1/0",
    "-", "2026-05-20", "18:99", "'QL*'", '"', "'", "=", "!", ".", "\x00", "\n", "é", "\udcff", "٤",
]  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(
    st.one_of(st.text(max_size=40), st.lists(st.sampled_from(PIECES), max_size=12).map(" ".join))
)
def test_any_text_is_understood_or_refused_in_a_sentence(text: str) -> None:
    try:
        condition = Condition.parse(text, FIELDS)
    except NotUnderstood as error:
        assert 1 <= error.column <= len(text) + 1
        assert error.found
        assert error.allowed
        assert str(error).isprintable()
    else:
        assert condition.holds(FRAME) in (True, False)
