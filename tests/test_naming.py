"""Names of delivered files: filled, safe, and different from each other."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import InvalidInput
from pipeline.naming import FIELDS, MAX_NAME_BYTES, Template, file_names
from pipeline.records import Origin

ROW = {
    "client": "Ferrow Enamelware",
    "job": "quay-lamps",
    "frame": "QL0007",
    "seq": 3,
    "setup": "daylight",
    "version": 2,
    "rating": 4,
    "delivery": "web",
    "date": "2024-10-03",
    "taken_at": "2024-10-03T18:04:09.25+02:00",
    "product": "red-lamp",
    "width": 2048,
    "crop": "4x5",
}


@pytest.mark.parametrize(
    ("template", "name"),
    [
        ("{job}_{seq:03}_{frame}", "quay-lamps_003_QL0007"),
        ("{date:%y%m%d-%H.%M.%S}_{product}", "241003-18.04.09_red-lamp"),
        ("{frame}_{width}_{crop}", "QL0007_2048_4x5"),
        ("{client}-{date}-v{version}", "Ferrow-Enamelware-2024-10-03-v2"),
        ("{delivery}.{setup}.{rating}.{seq}", "web.daylight.4.3"),
        ("hero", "hero"),
        ("{seq:06}", "000003"),
    ],
)
def test_fields_are_filled(template: str, name: str) -> None:
    assert file_names(template, [ROW]) == [name]


def test_every_field_can_be_used() -> None:
    for field in FIELDS:
        assert file_names(f"{{{field}}}", [ROW])[0]


@pytest.mark.parametrize(
    "template",
    [
        "",
        "../{frame}",
        "{frame}/x",
        "a\\{frame}",
        "{frame",
        "frame}",
        "{{frame}}",
        "{nothing}",
        "{}",
        "{0}",
        "{frame.__class__}",
        "{frame!r}",
        "{frame[0]}",
        "{seq:>1000000000}",
        "{seq:07}",
        "{seq:3}",
        "{frame:03}",
        "{frame} {seq}",
        "x" * 201,
    ],
)
def test_templates_hold_plain_fields_only(template: str) -> None:
    with pytest.raises(InvalidInput, match=r"job\.yaml:7: name: .*allowed: letters"):
        file_names(template, [ROW], Origin("job.yaml", 7))


@pytest.mark.parametrize(
    ("frame", "name"),
    [
        ("-rf", "rf"),
        (".hidden", "hidden"),
        ("trailing. ", "trailing"),
        ("../../etc/passwd", "etc-passwd"),
        ("a\nb\tc\0d", "a-b-c-d"),
        ("CON", "_CON"),
        ("nul", "_nul"),
        ("com1", "_com1"),
        ("console", "console"),
        ("a\"b'c`d$e", "a-b-c-d-e"),
        ("e\u0301te\u0301", "été"),
        ("🙂 smile", "smile"),
        ("写真 一", "写真-一"),
    ],
)
def test_hostile_frame_names_come_out_plain(frame: str, name: str) -> None:
    assert file_names("{frame}", [{"frame": frame}]) == [name]


def test_a_device_is_recognised_before_a_dot() -> None:
    assert file_names("aux.{frame}", [{"frame": "1"}]) == ["_aux.1"]


@pytest.mark.parametrize(
    ("first", "second"),
    [("QL1", "ql1"), ("\u00e9", "e\u0301"), ("Straße", "STRASSE"), ("a b", "a/b"), ("x", "x")],
)
def test_twins_are_found(first: str, second: str) -> None:
    with pytest.raises(InvalidInput, match="would both be called"):
        file_names("{frame}", [{"frame": first}, {"frame": second}])


def test_every_clash_and_every_missing_value_is_reported() -> None:
    rows = [
        {"frame": name, "setup": setup} for name, setup in (("a", "x"), ("b", None), ("c", "x"))
    ]
    with pytest.raises(InvalidInput) as raised:
        file_names("{setup}", rows)
    found = [problem.found for problem in raised.value.problems]
    assert found == [
        "frame b: its setup is not known",
        "frames a and c would both be called x",
    ]


def test_names_that_are_too_long_or_vanish_are_refused_never_cut() -> None:
    assert file_names("{frame}", [{"frame": "é" * 100}]) == ["é" * 100]
    for frame in ("é" * 101, "...", "///", "🙂"):
        with pytest.raises(InvalidInput, match="allowed are 1 to 200"):
            file_names("{frame}", [{"frame": frame}])


@given(st.text(max_size=60), st.text(max_size=30))
def test_no_value_makes_an_unsafe_name(frame: str, client: str) -> None:
    try:
        (name,) = file_names(
            "{client}_{seq:03}_{frame}", [{**ROW, "frame": frame, "client": client}]
        )
    except InvalidInput:
        return
    assert name == unicodedata.normalize("NFC", name)
    assert len(name.encode()) <= MAX_NAME_BYTES
    assert not set(name) & set('/\\:*?"<>|\0 ')
    assert all(unicodedata.category(char)[0] in "LMNP" for char in name)
    assert name[0] not in "-."
    assert name[-1] not in ". "


@given(st.text(max_size=40))
def test_no_template_raises_anything_but_a_refusal(text: str) -> None:
    try:
        Template.parse(text)
    except ValueError as error:
        assert str(error)
