"""A job's folder: its files together, frames and deliveries resolved, every problem at once."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.errors import InvalidInput
from pipeline.hashing import key_of
from pipeline.job import Job, find_job, load_job
from pipeline.records import Artifact, Capture, FrameState, Original, Version
from pipeline.selection import FramePattern
from pipeline.steps import STEPS

DEMO = Path(__file__).parent.parent / "examples" / "quay-lamps"

JOB = """\
job: quay-lamps
client: Ferrow Enamelware
recipe: recipes/mine.yaml
credit: {creator: Ines Tolland}
description: Lamps
keywords: [lamp]
deliveries:
  web: {format: jpeg, long_edge: 2048, name: "{job}_{seq:03}_{frame}"}
"""
MINE = """\
recipe: mine
look:
  - balance: {from: as-shot}
  - expose: {stops: 0.1}
  - tone: {contrast: 1.1}
"""
DAY = """\
setup: day
frames: ["QL00[01-03]"]
adjust:
  - expose: {stops: 0.5}
"""
QL0002 = """\
frame: QL0002
description: One lamp
adjust:
  - tone: {shoulder: 0.4}
"""


def files(folder: Path, **texts: str | None) -> Path:
    """The small job above, with other texts for the files named ``folder__name``."""
    standing = {"job": JOB, "recipes__mine": MINE, "setups__day": DAY, "frames__QL0002": QL0002}
    for name, text in {**standing, **texts}.items():
        path = folder / (name.replace("__", "/") + ".yaml")
        path.parent.mkdir(exist_ok=True)
        if text is not None:
            path.write_text(text)
    return folder


def problems(folder: Path) -> list[str]:
    with pytest.raises(InvalidInput) as raised:
        load_job(folder)
    return [str(problem) for problem in raised.value.problems]


def state(name: str, rating: int = 4, taken_at: str | None = None, **more: Any) -> FrameState:
    capture = Capture(taken_at=taken_at)
    return FrameState(
        name, Original(f"originals/{name}.dng", "blake3:0", 1, capture), rating, **more
    )


@pytest.fixture
def job(tmp_path: Path) -> Job:
    return load_job(files(tmp_path))


# -- frames -------------------------------------------------------------------------------------


def test_a_frame_gets_recipe_then_setup_then_its_own_file(job: Job) -> None:
    def values(frame: str) -> list[Any]:
        steps = {step.label: step.parameters for step in job.resolve(frame).steps}
        return [steps["expose"]["stops"], steps["tone"]["contrast"], steps["tone"]["shoulder"]]

    assert values("QL0001") == [0.5, 1.1, 0.0]
    assert values("QL0002") == [0.5, 1.1, 0.4]
    assert values("QL0009") == [0.1, 1.1, 0.0]
    assert [job.resolve(name).setup for name in ("QL0001", "QL0002", "QL0009")] == [
        "day",
        "day",
        None,
    ]
    origins = job.resolve("QL0002").steps[2].origins
    assert str(origins["shoulder"]) == "frames/QL0002.yaml:4"
    assert str(origins["contrast"]) == "recipes/mine.yaml:5"


def test_a_setup_without_frames_is_the_group_that_ingest_made(tmp_path: Path) -> None:
    job = load_job(files(tmp_path, setups__day="setup: day\nadjust:\n  - expose: {stops: 0.5}\n"))
    assert job.resolve("QL0001", grouped="day").steps[1].parameters == {"stops": 0.5}
    assert job.resolve("QL0002", grouped="day").steps[2].parameters["shoulder"] == 0.4
    assert job.resolve("QL0001", grouped="dusk").steps[1].parameters == {"stops": 0.1}
    assert job.resolve("QL0001", grouped="dusk").setup == "dusk"


def test_the_file_of_a_setup_wins_over_the_group_of_ingest(job: Job) -> None:
    assert job.resolve("QL0001", grouped="dusk").setup == "day"


def test_resolved_steps_are_plain_json_and_valid_parameters(job: Job) -> None:
    for step in load_job(DEMO).resolve("QL0030").steps + job.resolve("QL0002").steps:
        there_and_back = json.loads(json.dumps(step.parameters))
        assert there_and_back == step.parameters
        model = STEPS[step.step].parameters.model_validate(there_and_back)
        assert key_of(model.model_dump(mode="json", by_alias=True, exclude_none=True)) == key_of(
            step.parameters
        )


def test_frames_that_were_never_ingested_are_named(tmp_path: Path) -> None:
    job = load_job(
        files(
            tmp_path,
            job=JOB + "  few: {format: tiff, frames: [QL0001, QL0077]}\n",
            setups__dusk='setup: dusk\nframes: [QL0010, "QX*", "QL00[10-20]"]\n',
        )
    )
    # QL0003 of the range was deleted in the camera
    assert [str(problem) for problem in job.check_frames({"QL0001", "QL0011"})] == [
        "frames/QL0002.yaml:1: frame: no frame QL0002 was ingested; allowed: frames of the job",
        "setups/dusk.yaml:2: frames[0]: no frame QL0010 was ingested; allowed: frames of the job",
        "setups/dusk.yaml:2: frames[1]: no frame QX* was ingested; allowed: frames of the job",
        "job.yaml:9: deliveries.few.frames[1]: no frame QL0077 was ingested;"
        " allowed: frames of the job",
    ]


def test_setups_that_share_frames_are_refused(tmp_path: Path) -> None:
    dusk = 'setup: dusk\nframes: [QL0009, "QL00[02-04]", "QL*3"]\n'
    assert problems(files(tmp_path, setups__dusk=dusk)) == [
        "setups/dusk.yaml:2: frames[1]: QL0002 and 1 more in the setup day already;"
        " allowed: each frame in one setup",
        "setups/dusk.yaml:2: frames[2]: QL0003 in the setup day already;"
        " allowed: each frame in one setup",
    ]


def test_globs_that_share_frames_are_found_once_the_frames_are_known(tmp_path: Path) -> None:
    job = load_job(
        files(
            tmp_path,
            setups__day="setup: day\nframes: QL*\n",
            setups__dusk="setup: dusk\nframes: '*7'\n",
        )
    )
    assert job.check_frames({"QL0002", "QX7"}) == []
    assert [problem.found for problem in job.check_frames({"QL0002", "QX7", "QL7"})] == [
        "QL7 in the setup day already"
    ]


# -- problems -----------------------------------------------------------------------------------


def test_every_problem_of_every_file_comes_at_once(tmp_path: Path) -> None:
    found = problems(
        files(
            tmp_path,
            job="job: x\nclint: y\nrecipe: nowhere\nselects: stars >= 4\n"
            "deliveries:\n  web: {format: jpg}\n",
            setups__day="setup: night\nadjust:\n  - expos: {}\n",
            frames__QL0002="frame: QL0002\nadjust:\n  - tone: {toe: 99}\n  - mono: {reed: 1}\n",
            frames__QL0003="frame: [\n",
        )
    )
    assert [problem.split(": ")[0] + " " + problem.split(": ")[1] for problem in found] == [
        "job.yaml:1 client",
        "job.yaml:2 clint",
        "job.yaml:3 recipe",
        "job.yaml:4 selects",
        "job.yaml:6 deliveries.web.format",
        "frames/QL0002.yaml:3 adjust[0].tone.toe",
        "frames/QL0002.yaml:4 adjust[1].mono.reed",
        "frames/QL0003.yaml:2 this is not YAML",
        "setups/day.yaml:1 setup",
        "setups/day.yaml:3 adjust[0].expos",
    ]


@pytest.mark.parametrize(
    ("line", "problem"),
    [
        (
            "adjust: []",
            "job.yaml:9: adjust: unknown key; allowed: job, client, recipe, selects, originals,"
            " clocks, credit, description, keywords, caption, location, releases, tolerance,"
            " products, shots, deliveries",
        ),
        (
            "selects: stale",
            'job.yaml:9: selects: column 1: no field called "stale"; allowed: rating',
        ),
        ("originals: 12", "job.yaml:9: originals: 12; allowed: text, in quotes where it looks"),
    ],
)
def test_keys_of_the_job(tmp_path: Path, line: str, problem: str) -> None:
    (found,) = problems(files(tmp_path, job=f"{JOB}{line}\n"))
    assert found.startswith(problem)


@pytest.mark.parametrize(
    ("settings", "problem"),
    [
        ("{long_edge: 100}", ".format: missing; allowed: jpeg, tiff"),
        ("{format: jpeg, bits: 16}", ": 16 bits go with tiff and png; a jpeg has 8"),
        ("{format: jpeg, bits: 12}", ".bits: 12; allowed: 8, 16"),
        ("{format: tiff, quality: 3}", ": quality is for jpeg"),
        (
            "{format: tiff, scale: 1, long_edge: 100}",
            ": long_edge, scale together; one size of long_edge, short_edge, width, height, "
            "megapixels, print, scale, or width and height",
        ),
        ("{format: tiff, scale: 2}", ": a scale above 1 goes with enlarge: true"),
        ("{format: tiff, long_edge: 1.5}", ".long_edge: 1.5; allowed: a whole number from 16 to"),
        ("{format: webp, bits: 16}", ": 16 bits go with tiff and png; a webp has 8"),
        ("{format: png, max_bytes: 9000}", ": max_bytes is for jpeg, webp, avif, jxl"),
        (
            "{format: jpeg, max_bytes: 9000, quality: 80}",
            ": quality and max_bytes: one of them",
        ),
        ("{format: jpeg, max_bytes: 9}", ".max_bytes: 9; allowed: a whole number from 2000"),
        ("{format: jxl, space: display-p3}", ": a jxl is written in srgb alone"),
        ("{format: avif, progressive: true}", ": progressive is for jpeg"),
        (
            "{format: tiff, crop: 4by5}",
            '.crop: "4by5"; allowed: width to height such as 4:5 or 1.91:1, at most 20:1',
        ),
        ("{format: tiff, crop: 50:1}", '.crop: "50:1"; allowed: width to height'),
        ("{format: tiff, print: {}}", ".print: give width_mm, height_mm or both"),
        ("{format: tiff, print: {width_mm: 1}}", ".print.width_mm: 1; allowed: "),
        ("{format: tiff, border: {share: 0.5}}", ".border.share: 0.5; allowed: "),
        (
            "{format: tiff, border: {share: 0.1, colour: red}}",
            '.border.colour: "red"; allowed: white, black',
        ),
        (
            "{format: tiff, space: srgp}",
            '.space: "srgp", did you mean srgb?; allowed: srgb, display-p3, adobe-rgb, romm-rgb, '
            "or {profile: FILE}",
        ),
        ("{format: tiff, space: {}}", ".space.profile: missing; allowed: text"),
        (
            "{format: tiff, space: {profile: a.icc, intent: colorimetric}}",
            '.space.intent: "colorimetric"; allowed: relative-colorimetric, perceptual, saturation',
        ),
        (
            "{format: tiff, space: {profile: a.icc, intent: absolute-colorimetric,"
            " black_point_compensation: true}}",
            ".space: absolute-colorimetric goes without black_point_compensation",
        ),
        ("{format: tiff, enlarge: 1}", ".enlarge: 1; allowed: true or false"),
        ("{format: tiff, name: '{x}'}", ".name: {x} is not a field; allowed: letters"),
        ("{format: tiff, frames: all}", '.frames: "all"; allowed: approved, selects, or a list'),
        ("{format: tiff, frames: []}", ".frames: a list of 0; allowed: approved, selects or a"),
        (
            "{format: tiff, sharpen_for: screeen}",
            '.sharpen_for: "screeen", did you mean screen?; allowed: screen, matte, gloss, none, '
            "or a medium with its ppi and distance_mm",
        ),
        ("{format: tiff, sharpen_for: [matte]}", ".sharpen_for: a list of 1; allowed: screen,"),
        (
            "{format: tiff, sharpen_for: {matte: {}, gloss: {}}}",
            ".sharpen_for: give exactly one of screen, matte, gloss",
        ),
        (
            "{format: tiff, sharpen_for: {satin: {}}}",
            ".sharpen_for.satin: unknown key; allowed: screen, matte, gloss",
        ),
        (
            "{format: tiff, sharpen_for: {matte: {dpi: 300}}}",
            ".sharpen_for.matte.dpi: unknown key, did you mean ppi?; allowed: ppi, distance_mm",
        ),
        (
            "{format: tiff, sharpen_for: {gloss: {ppi: 3}}}",
            ".sharpen_for.gloss.ppi: 3; allowed: a whole number from 20 to 2400",
        ),
        ("{format: tiff, background: white}", ".background: unknown key; allowed: format, bits"),
        ("3", ": 3; allowed: a mapping"),
    ],
)
def test_settings_of_a_delivery(tmp_path: Path, settings: str, problem: str) -> None:
    found = problems(files(tmp_path, job=f"{JOB}  x: {settings}\n"))
    assert any(each.startswith(f"job.yaml:9: deliveries.x{problem}") for each in found), found


@pytest.mark.parametrize("name", ["con", "WEB", "a b", "../x", "-x"])
def test_names_of_deliveries_make_safe_folders(tmp_path: Path, name: str) -> None:
    found = problems(files(tmp_path, job=f'{JOB}  "{name}": {{format: tiff}}\n'))
    assert len(found) == 1
    assert f"deliveries.{name}" in found[0]


@pytest.mark.parametrize(
    ("written", "found"),
    [
        ("../mine.yaml", "a path that leaves the folder"),
        ("/etc/passwd", "a path that leaves the folder"),
        ("out/mine.yaml", "a link that leaves the folder"),
        ("recipes/none.yaml", "there is no such file"),
        ("lanter", "no house recipe called lanter, did you mean lantern?"),
    ],
)
def test_recipes_come_from_the_house_or_from_inside_the_job(
    tmp_path: Path, written: str, found: str
) -> None:
    folder = tmp_path / "job"
    folder.mkdir()
    (tmp_path / "mine.yaml").write_text(MINE)
    (folder / "out").symlink_to(tmp_path)
    files(folder, job=JOB.replace("recipes/mine.yaml", written))
    (problem,) = problems(folder)
    assert problem.startswith("job.yaml:3: recipe: ")
    assert found in problem


def test_a_frame_file_that_was_copied_and_not_changed_is_found(tmp_path: Path) -> None:
    assert problems(files(tmp_path, frames__QL0003=QL0002)) == [
        'frames/QL0003.yaml:1: frame: the file is called "QL0003", the frame QL0002;'
        " allowed: one name for both"
    ]


def test_other_endings_are_not_passed_over_in_silence(tmp_path: Path) -> None:
    files(tmp_path)
    (tmp_path / "frames/QL0004.yml").write_text(QL0002)
    (tmp_path / "frames/.QL0002.yaml").write_text("an editor's copy")
    (tmp_path / "frames/QL0002.yaml~").write_text("another")
    assert problems(tmp_path) == ["frames/QL0004.yml: the ending .yml; allowed: .yaml"]


def test_a_file_name_that_is_no_text_is_printed_all_the_same(tmp_path: Path) -> None:
    files(tmp_path)
    (tmp_path / os.fsdecode(b"frames/a\xff\n.yaml")).write_text("frame: a\n")
    (problem,) = problems(tmp_path)
    assert problem.isprintable()


def test_a_table_in_a_frame_file_stays_inside_the_job(tmp_path: Path) -> None:
    text = "frame: QL0002\nadjust:\n  - table: {file: ../a.cube}\n"
    (problem,) = problems(files(tmp_path, frames__QL0002=text))
    assert problem.startswith(
        'frames/QL0002.yaml:3: adjust[0].table.file: "../a.cube": a path that leaves the folder'
    )


def test_commented_out_lists_count_as_not_written(tmp_path: Path) -> None:
    job = load_job(files(tmp_path, frames__QL0002="frame: QL0002\nadjust:\n  # - expose: 1\n"))
    assert job.resolve("QL0002").steps == job.resolve("QL0001").steps


def test_no_job_file_and_no_job(tmp_path: Path) -> None:
    assert problems(tmp_path) == ["job.yaml: the file does not exist"]
    with pytest.raises(InvalidInput, match=r"no job\.yaml here or .*; safelight new DIR makes one"):
        find_job(tmp_path)


def test_the_job_is_found_from_any_folder_inside(tmp_path: Path) -> None:
    files(tmp_path)
    below = tmp_path / "deliveries/web"
    below.mkdir(parents=True)
    assert find_job(below) == tmp_path.resolve()
    assert find_job(tmp_path) == tmp_path.resolve()


KEYS = (
    *("job", "recipe", "setup", "frame", "frames", "adjust", "look", "deliver", "deliveries"),
    *("credit", "name", "expose", "hue", "tone", "stops", "at", "web", "format", "keywords"),
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    st.recursive(
        st.none() | st.booleans() | st.integers(-9, 9) | st.text("abx_:-{}[]", max_size=4),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(
                st.sampled_from(KEYS),
                inner,
                max_size=4,
            )
        ),
        max_leaves=12,
    ),
    st.sampled_from(["job", "recipes__mine", "setups__day", "frames__QL0002"]),
)
def test_no_content_raises_anything_but_invalid_input(
    tmp_path: Path, value: Any, name: str
) -> None:
    try:
        load_job(files(tmp_path, **{name: json.dumps(value)}))
    except InvalidInput as error:
        assert error.problems
        assert all(problem.file and problem.found for problem in error.problems)


# -- selection ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "selected"),
    [
        ("rating >= 4", [4, 5]),
        ("rating>3", [4, 5]),
        ("rating in (3, 5)", [3, 5]),
        ("rating < 0 or rating >= 2 and rating <= 3", [-1, 2, 3]),
    ],
)
def test_selects(tmp_path: Path, text: str, selected: list[int]) -> None:
    job = load_job(files(tmp_path, job=f"{JOB}selects: {text}\n"))
    assert [rating for rating in range(-1, 6) if job.is_select(state("A", rating))] == selected


@pytest.mark.parametrize(
    ("pattern", "frames", "others"),
    [
        ("QL0001", ["QL0001"], ["QL00011", "ql0001"]),
        ("QL00[02-19]", ["QL0002", "QL0019"], ["QL0001", "QL0020", "QL002"]),
        ("A[8-9]x", ["A8x", "A9x"], ["A10x"]),
        ("QL*", ["QL", "QL77"], ["XQL"]),
        ("QL000?", ["QL0001"], ["QL000", "QL00012"]),
        ("IMG[1]", ["IMG[1]"], ["IMG1"]),
        ("IMG[a]*", ["IMG[a]7"], ["IMGa7"]),
    ],
)
def test_frame_patterns(pattern: str, frames: list[str], others: list[str]) -> None:
    parsed = FramePattern.parse(pattern)
    assert all(map(parsed.matches, frames))
    assert not any(map(parsed.matches, others))


@pytest.mark.parametrize(
    "text", ["QL[02-1]", "QL[09-2]", "QL[2-1]", "QL[00000-99999]", "[1-2][1-2]", "[1-2]*"]
)
def test_patterns_that_mean_nothing_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"range"):
        FramePattern.parse(text)


# -- deliveries ---------------------------------------------------------------------------------


def test_a_delivery_names_its_files_in_the_order_of_capture(job: Job) -> None:
    order = job.resolve_delivery(
        "web",
        [
            state("QL0001", taken_at="2024-10-03T09:13:00"),
            state("QL0002", taken_at="2024-10-03T09:12:00"),
            state("QL0003", rating=3),
        ],
    )
    assert order.files == {
        "QL0002": {
            "path": "deliveries/web/quay-lamps_001_QL0002.jpg",
            "description": "One lamp",
        },
        "QL0001": {"path": "deliveries/web/quay-lamps_002_QL0001.jpg"},
    }
    assert order.settings == {
        "format": "jpeg",
        "bits": 8,
        "quality": 90,
        "long_edge": 2048,
        "enlarge": False,
        "space": "srgb",
        "sharpen_for": "none",
    }
    assert order.metadata == {
        "creator": "Ines Tolland",
        "description": "Lamps",
        "keywords": ["lamp"],
    }
    assert str(order.origins["long_edge"]) == "job.yaml:8"
    assert str(order.origins["space"]) == "default"
    assert str(order.origins["metadata.creator"]) == "job.yaml:4"
    assert json.loads(json.dumps([order.settings, order.metadata, order.files])) == [
        order.settings,
        order.metadata,
        order.files,
    ]


@pytest.mark.parametrize(
    ("written", "medium"),
    [
        # the reference pixel of W3C CSS Values and Units: 96 an inch, 28 inches away
        ("screen", {"medium": "screen", "ppi": 96, "distance_mm": 711.0}),
        ("{screen: {}}", {"medium": "screen", "ppi": 96, "distance_mm": 711.0}),
        ("matte", {"medium": "matte", "ppi": 300, "distance_mm": 400.0}),
        ("{gloss: {distance_mm: 1500}}", {"medium": "gloss", "ppi": 300, "distance_mm": 1500.0}),
        ("none", "none"),
        ("", "none"),
    ],
)
def test_a_medium_is_seen_as_usual_where_nothing_else_is_said(
    tmp_path: Path, written: str, medium: object
) -> None:
    job = load_job(files(tmp_path, job=f"{JOB}  x: {{format: tiff, sharpen_for: {written}}}\n"))
    assert job.resolve_delivery("x", []).settings["sharpen_for"] == medium


@pytest.mark.parametrize(
    ("frames", "expected"),
    [
        ("selects", ["a", "b"]),
        ("approved", ["b", "c"]),
        ('[a, "[c-d]*"]', ["a"]),
        ('["?"]', ["a", "b", "c"]),
    ],
)
def test_which_frames_a_delivery_has(tmp_path: Path, frames: str, expected: list[str]) -> None:
    job = load_job(files(tmp_path, job=f"{JOB}  x: {{format: tiff, frames: {frames}}}\n"))
    states = [state("a"), state("b", approved_version=1), state("c", 0, approved_version=2)]
    assert sorted(job.resolve_delivery("x", states).files) == expected


def test_the_version_in_a_name_is_the_one_that_the_file_will_carry(tmp_path: Path) -> None:
    job = load_job(
        files(tmp_path, job=JOB + '  x: {format: tiff, name: "{frame}_v{version}_{date}"}\n')
    )
    version = Version("a", 3, "key", "", {}, Artifact("masters/a.tif", "blake3:0", 1), "2024")
    frame = state("a", taken_at="2024-10-03T09:12:00", versions=(version,))
    assert job.resolve_delivery("x", [frame]).files["a"]["path"] == (
        "deliveries/x/a_v3_2024-10-03.tif"
    )
    assert (
        job.resolve_delivery("x", [frame], {"a": 4})
        .files["a"]["path"]
        .endswith("a_v4_2024-10-03.tif")
    )
    with pytest.raises(InvalidInput, match=r"job\.yaml:9: name: frame b: its version is not known"):
        job.resolve_delivery("x", [state("b", taken_at="2024-10-03")])


def test_files_that_would_clash_are_found_before_anything_is_made(job: Job) -> None:
    with pytest.raises(InvalidInput, match="no delivery called wep, did you mean web"):
        job.resolve_delivery("wep", [])


def test_clashing_names_point_at_the_template(tmp_path: Path) -> None:
    job = load_job(files(tmp_path, job=JOB.replace("{job}_{seq:03}_{frame}", "{job}")))
    with pytest.raises(InvalidInput, match=r"job\.yaml:8: name: frames a and b would both"):
        job.resolve_delivery("web", [state("a"), state("b")])


def test_the_job_overrides_what_the_recipe_brings_key_by_key(tmp_path: Path) -> None:
    brings = (
        "deliver:\n  - web: {format: tiff, scale: 1, space: adobe-rgb}\n  - shop: {format: jpeg}\n"
    )
    job = load_job(files(tmp_path, recipes__mine=MINE + brings))
    web = job.resolve_delivery("web", [])
    # the job's long_edge does away with the recipe's scale
    assert web.settings["format"] == "jpeg"
    assert web.settings["space"] == "adobe-rgb"
    assert web.settings["long_edge"] == 2048
    assert "scale" not in web.settings
    assert str(web.origins["space"]) == "recipes/mine.yaml:7"
    assert job.resolve_delivery("shop", []).settings["scale"] == 1


def test_a_delivery_that_nobody_defines_is_a_problem(tmp_path: Path) -> None:
    recipe = MINE + "deliver: [web, wev, {half: {space: srgb}}]\n"
    assert problems(files(tmp_path, recipes__mine=recipe)) == [
        "recipes/mine.yaml:6: deliver[1]: no delivery called wev in job.yaml, did you mean web?;"
        " allowed: web",
        "recipes/mine.yaml:6: deliver[2].half.format: missing; allowed: jpeg, tiff, png, webp,"
        " avif, jxl",
    ]


# -- the demo and its size ----------------------------------------------------------------------


def test_the_demo_job_is_valid_and_its_dark_frame_is_lifted_by_two_stops() -> None:
    job = load_job(DEMO)
    assert {setup: len(each.patterns[0].names) for setup, each in job.setups.items()} == {
        "daylight": 26,
        "dusk": 7,
        "mixed": 7,
    }
    stops = {
        name: step.parameters["stops"]
        for name in ("QL0004", "QL0008")
        for step in job.resolve(name).steps
        if step.step == "expose"
    }
    assert stops["QL0008"] - stops["QL0004"] == pytest.approx(2)
    assert set(job.deliveries) == {"web", "print"}


def test_reading_a_job_imports_nothing_that_takes_long() -> None:
    script = f"""
import sys
from pathlib import Path
from pipeline.job import load_job
load_job(Path({str(DEMO)!r})).resolve("QL0001")
print(sorted({{"numpy", "numba", "cv2", "rawpy", "tifffile", "PyOpenColorIO"}} & set(sys.modules)))
"""
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, check=True, text=True
    )
    assert done.stdout == "[]\n"


def test_frames_without_a_file_of_their_own_share_their_steps(tmp_path: Path) -> None:
    folder = tmp_path / "job"
    shutil.copytree(DEMO, folder)
    for number in range(100, 160):
        text = f"frame: QL0{number}\nadjust:\n  - expose: {{stops: 0.4}}\n"
        (folder / f"frames/QL0{number}.yaml").write_text(text)
    job = load_job(folder)
    resolved = [job.resolve(f"QL{number:04}") for number in range(500)]
    assert resolved[1].steps is resolved[2].steps
    assert resolved[200].steps is resolved[499].steps
    assert resolved[100].steps is not resolved[101].steps


# -- charts -------------------------------------------------------------------------------------

CHART_DAY = """\
setup: day
frames: ["QL00[01-03]"]
chart: {frame: QL0001}
adjust:
  - balance: {from: chart}
"""


def test_a_setup_s_chart_is_that_of_its_frames(tmp_path: Path) -> None:
    job = load_job(files(tmp_path, setups__day=CHART_DAY))
    chart = job.resolve("QL0002").chart
    assert chart is not None
    assert (chart.setup, chart.frame, chart.inputs) == ("day", "QL0001", {"edition": "after-2014"})
    assert str(chart.origins["frame"]) == "setups/day.yaml:3"
    assert job.resolve("QL0009").chart is None  # its balance is as shot
    assert job.check_frames({"QL0002", "QL0009"}) and not job.check_frames({"QL0001", "QL0002"})


def test_a_chart_is_not_read_for_a_balance_that_comes_from_elsewhere(tmp_path: Path) -> None:
    text = CHART_DAY.replace("{from: chart}", "{kelvin: 5200}")
    assert load_job(files(tmp_path, setups__day=text)).resolve("QL0002").chart is None


def test_measured_values_count_by_their_content(tmp_path: Path) -> None:
    (tmp_path / "mine.csv").write_text("1,2,3\n")
    text = CHART_DAY.replace("QL0001}", "QL0001, values: mine.csv}")
    job = load_job(files(tmp_path, setups__day=text))
    chart = job.resolve("QL0002").chart
    assert chart is not None and chart.values == "mine.csv"
    assert job.files["mine.csv"] == tmp_path / "mine.csv"
    assert chart.inputs["values"].startswith("blake3:") and "edition" not in chart.inputs


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("{edition: average}", "setups/day.yaml:3: chart.frame: missing"),
        ("{frame: QL0001, edition: 2014}", "before-2014, after-2014, average"),
        ("{frame: QL0001, corners: [[0, 0], [1, 0], [1, 1]]}", "chart.corners"),
        ("{frame: QL0001, corners: [[0, 0], [1, 0], [1, 1], [0, 1.5]]}", "0 to 1"),
        ("{frame: QL0001, edition: average, values: a.csv}", "edition or values, not both"),
        ("{frame: QL0001, values: a.csv}", "cannot be read: no such file"),
        ("{frame: QL0001, values: ../a.csv}", "a file below the job's folder"),
    ],
)
def test_a_chart_that_makes_no_sense_is_named(tmp_path: Path, written: str, said: str) -> None:
    text = CHART_DAY.replace("{frame: QL0001}", written)
    assert any(said in problem for problem in problems(files(tmp_path, setups__day=text)))


def test_selects_whose_chart_nobody_named_are_named(tmp_path: Path) -> None:
    mine = MINE.replace("as-shot", "chart")
    job = load_job(files(tmp_path, recipes__mine=mine))
    (problem,) = job.check_charts({f"QL000{n}": None for n in range(1, 6)})
    assert str(problem) == (
        "recipes/mine.yaml:3: balance.from: chart, and no chart is named for QL0001, QL0002, "
        "QL0003 and 2 more; allowed: chart: {frame: NAME} in the setup's file, or another balance"
    )
    assert job.check_charts({}) == []


def test_what_an_engine_can_be_is_said_in_either_form(tmp_path: Path) -> None:
    for written in ("engine: dusk", "engine: {name: dusk}"):
        said = problems(files(tmp_path, job=f"{JOB}{written}\n"))
        assert '"dusk"; allowed: here, prefect, dask' in said[0]
