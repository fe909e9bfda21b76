"""Digests and keys: equal for equal values, different for others, and those of a public tool."""

from __future__ import annotations

import io
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.hashing import canonical_json, digest_bytes, digest_file, digest_stream, key_of

# the reference implementation's published vector for the empty input (BLAKE3 test_vectors.json)
EMPTY = "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262"

VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53), 2**53) | st.text()
    | st.floats(allow_nan=False, allow_infinity=False),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    max_leaves=20,
)  # fmt: skip


def test_digests_are_blake3():
    assert digest_bytes(b"") == f"blake3:{EMPTY}"


def test_a_file_a_stream_and_its_bytes_have_one_digest(tmp_path):
    data = bytes(range(256)) * 40_000
    (tmp_path / "a").write_bytes(data)
    assert digest_file(tmp_path / "a") == digest_bytes(data)
    assert digest_stream(io.BytesIO(data)) == (digest_bytes(data), len(data))


@given(VALUES)
def test_canonical_json_says_the_value_again(value):
    assert json.loads(canonical_json(value)) == value


@given(st.dictionaries(st.text(), VALUES))
def test_the_order_of_keys_does_not_count(value):
    assert canonical_json(dict(reversed(value.items()))) == canonical_json(value)


def test_one_and_one_point_zero_are_one_key_and_true_is_another():
    assert key_of({"stops": 1}) == key_of({"stops": 1.0})
    assert key_of({"stops": True}) != key_of({"stops": 1})
    assert key_of({"stops": 0.1}) != key_of({"stops": 0.1 + 2**-56})


@pytest.mark.parametrize("value", [float("nan"), float("inf"), [1, {"a": -float("inf")}]])
def test_what_has_no_canonical_form_is_refused(value):
    with pytest.raises(ValueError):
        canonical_json(value)
