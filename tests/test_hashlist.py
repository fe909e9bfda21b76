"""Hash lists that others can verify: read by the reference implementation (PyPI: ascmhl)."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
import xxhash
from ascmhl import commands
from ascmhl.history import MHLHistory
from click.testing import CliRunner

from pipeline.errors import NotAsRecorded
from pipeline.files.hashlist import CHAIN, Hashed, add_generation, c4, listed

AT = datetime(2031, 5, 4, 10, 20, 30, 999, tzinfo=UTC)


def put(folder: Path, name: str, data: bytes) -> Hashed:
    path = folder / name
    path.write_bytes(data)
    return Hashed(name, len(data), xxhash.xxh128_hexdigest(data), path.stat().st_mtime_ns)


def checked(folder: Path, *arguments: str) -> int:
    """The exit code of the tool's ``verify``: 0 as listed, 10 missing, 11 changed, 21 new, 31
    a generation changed (its errors.py)."""
    return CliRunner().invoke(commands.verify, [str(folder), *arguments]).exit_code


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "originals"
    made.mkdir()
    return made


def test_identifiers_are_those_of_the_reference_tool() -> None:
    # SMPTE ST 2114 names the empty input's; both values from ascmhl 1.2
    assert c4(b"") == (
        "c459dsjfscH38cYeXXYogktxf4Cd9ibshE3BHUo6a58hBXmRQdZrAkZzsWcbWtDg5oQstpDuni4Hirj75GEmTc1sFT"
    )
    assert c4(b"hello\n") == (
        "c45dkQrAqUiR8WzPGgn6fAGji3VAVeAE7cKVG4G53ou9dTk4Nzb9vFYEwzy9jq5ZKQKM64DMpPpVbYe2bMsZP2yYKi"
    )


def test_two_generations_are_verified_by_the_reference_tool(folder: Path) -> None:
    first = [put(folder, "QL0001.DNG", b"one"), put(folder, "a & b's <é夜>.NEF", b"two")]
    written = add_generation(folder, first, ["*.xmp"], AT)
    assert written.name == "0001_originals_2031-05-04_102030Z.mhl"
    put(folder, "QL0001.xmp", b"may change")
    assert checked(folder) == 0
    late = put(folder, "QL0002.DNG", b"three")
    assert checked(folder) == 21
    add_generation(folder, [late], ["*.xmp"], AT)
    assert checked(folder) == 0
    assert listed(folder) == {"QL0001.DNG", "a & b's <é夜>.NEF", "QL0002.DNG"}
    history = MHLHistory.load_from_path(str(folder))
    assert [len(each.media_hashes) for each in history.hash_lists] == [2, 1]
    (entry,) = history.hash_lists[1].media_hashes
    assert (entry.path, entry.file_size) == ("QL0002.DNG", 5)
    assert [(each.hash_format, each.action) for each in entry.hash_entries] == [
        ("xxh128", "original")
    ]
    assert CliRunner().invoke(commands.info, [str(folder)]).exit_code == 0


def test_every_kind_of_damage_is_seen_by_the_reference_tool_and_by_us(folder: Path) -> None:
    files = [put(folder, "QL0001.DNG", b"one"), put(folder, "QL0002.DNG", b"two")]
    generation = add_generation(folder, files, [], AT)
    (folder / "QL0001.DNG").write_bytes(b"One")
    assert checked(folder) == 11
    (folder / "QL0001.DNG").unlink()
    assert checked(folder) == 10
    generation.write_bytes(generation.read_bytes() + b" ")
    assert checked(folder) == 31
    with pytest.raises(NotAsRecorded, match=r"not what ascmhl_chain\.xml beside it says"):
        listed(folder)


def test_a_history_that_the_tool_began_is_gone_on_with(folder: Path) -> None:
    put(folder, "QL0001.DNG", b"one")
    made = CliRunner().invoke(commands.create, [str(folder), "-h", "md5"])
    assert made.exit_code == 0
    assert "QL0001.DNG" in listed(folder)
    written = add_generation(folder, [put(folder, "QL0002.DNG", b"two")], [], AT)
    assert written.name.startswith("0002_")
    assert checked(folder) == 0
    assert CliRunner().invoke(commands.create, [str(folder), "-h", "xxh128"]).exit_code == 0
    assert checked(folder) == 0
    assert "QL0002.DNG" in listed(folder)


def test_a_generation_that_a_killed_run_did_not_chain_is_written_again(folder: Path) -> None:
    one = put(folder, "QL0001.DNG", b"one")
    add_generation(folder, [one], [], AT)
    (folder / "ascmhl" / CHAIN).unlink()  # killed between the two
    assert listed(folder) == set()
    add_generation(folder, [one], [], AT.replace(second=31))
    assert checked(folder) == 0
    two = put(folder, "QL0002.DNG", b"two")
    chain = (folder / "ascmhl" / CHAIN).read_bytes()
    add_generation(folder, [two], [], AT)
    (folder / "ascmhl" / CHAIN).write_bytes(chain)
    assert listed(folder) == {"QL0001.DNG"}
    add_generation(folder, [two], [], AT.replace(second=31))
    assert checked(folder) == 0
    assert len(list((folder / "ascmhl").glob("*.mhl"))) == 2


@pytest.mark.parametrize(
    ("chain", "said"),
    [
        (b"no xml", "no list of hashes"),
        (b'<!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>', "no list of hashes"),
        (b'<a><hashlist sequencenr="1"><path>../0001_x.mhl</path></hashlist></a>', "no generation"),
        (b'<a><hashlist sequencenr="1"><path>0001_x.mhl</path></hashlist></a>', "cannot be read"),
    ],
)
def test_a_history_that_is_none_is_a_sentence(folder: Path, chain: bytes, said: str) -> None:
    (folder / "ascmhl").mkdir()
    (folder / "ascmhl" / CHAIN).write_bytes(chain)
    with pytest.raises(NotAsRecorded, match=said):
        listed(folder)
    with pytest.raises(NotAsRecorded):
        add_generation(folder, [], [], AT)
