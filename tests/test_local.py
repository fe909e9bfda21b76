"""Local edits, masks and products as a person writes them: layers, names, every refusal."""

from __future__ import annotations

import json
import random
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import InvalidInput
from pipeline.hashing import key_of
from pipeline.job import Job, load_job
from pipeline.masking import Mask, extent
from pipeline.plan import Demand, inputs_of, plan
from pipeline.records import Artifact, FrameState, Original, ResolvedFrame, Version
from pipeline.written import schema_of
from tests.test_job import DAY, JOB, MINE, QL0002, files, problems, state
from tests.test_written import valid

PRODUCTS = """\
products:
  red-lamp: {lab: [42.4, 51.0, 28.6], tolerance: 1.5, geometry: "45:0"}
  jug: {lab: [80, 0, 4]}
"""
RECIPE = """\
masks:
  rim: {ellipse: {centre: [0.5, 0.5], radii: [0.6, 0.6], feather: 0.4}}
local:
  - {name: edges, mask: {not: {named: rim}}, burn: 0.2}
"""
SETUP = """\
local:
  - {name: edges, burn: 0.3}
  - name: sky
    mask: {gradient: {from: [0.5, 0.4], to: [0.5, 0.0]}}
    balance: {mired: -12}
    saturation: 1.1
products:
  red-lamp: {where: {polygon: [[0.3, 0.6], [0.4, 0.52], [0.5, 0.6], [0.4, 0.68]]}}
"""
FRAME = """\
masks:
  rim: {gradient: {from: [0.2, 0.5], to: [0.4, 0.5]}}
  shade: {minus: [{named: rim}, {tones: {to: -3}}]}
local:
  - {name: sky, dodge: 0.1, saturation: 1.0}
  - {name: deep, mask: {named: shade, feather: 2}, burn: 0.5}
  - {name: lamp, match: {product: red-lamp}}
"""


def layered(folder: Path, **texts: str) -> Path:
    return files(
        folder,
        **{
            "job": JOB + PRODUCTS,
            "recipes__mine": MINE + RECIPE,
            "setups__day": DAY + SETUP,
            "frames__QL0002": QL0002 + FRAME,
            **texts,
        },
    )


@pytest.fixture
def job(tmp_path: Path) -> Job:
    return load_job(layered(tmp_path))


def told(resolved: ResolvedFrame) -> list[tuple[str, str, Any]]:
    return [
        (step.label, step.step, step.parameters[step.step])
        for step in resolved.steps
        if step.stage == "local"
    ]


def test_later_layers_override_an_entry_by_its_name_key_by_key(job: Job) -> None:
    assert told(job.resolve("QL0009")) == [("edges", "burn", 0.2)]
    assert told(job.resolve("QL0001")) == [
        ("sky", "balance", {"mired": -12.0, "duv": 0.0}),
        ("edges", "burn", 0.3),
        ("sky", "saturation", 1.1),
    ]
    assert told(job.resolve("QL0002")) == [
        ("sky", "balance", {"mired": -12.0, "duv": 0.0}),
        ("sky", "dodge", 0.1),
        ("deep", "burn", 0.5),
        ("edges", "burn", 0.3),
        ("sky", "saturation", 1.0),
        ("lamp", "match", {"product": "red-lamp", "up_to": 6.0}),
    ]


def test_local_edits_stand_between_the_look_and_what_is_done_last(tmp_path: Path) -> None:
    recipe = MINE + "finish:\n  - primaries: {saturation: 1.1}\n" + RECIPE
    job = load_job(layered(tmp_path, recipes__mine=recipe))
    stages = [step.stage for step in job.resolve("QL0001").steps]
    assert stages == ["look"] * 3 + ["local"] * 3 + ["finish"]


def test_names_are_looked_up_and_a_later_files_mask_counts(job: Job) -> None:
    ellipse = {"centre": [0.5, 0.5], "radii": [0.6, 0.6], "angle_deg": 0.0, "feather": 0.4}
    (edges,) = (s for s in job.resolve("QL0001").steps if s.label == "edges")
    assert edges.parameters["mask"] == {"not": {"ellipse": ellipse}}
    steps = {step.label: step for step in job.resolve("QL0002").steps}
    line = {"gradient": {"from": [0.2, 0.5], "to": [0.4, 0.5]}}
    assert steps["edges"].parameters["mask"] == {"not": line}
    assert steps["deep"].parameters["mask"] == {
        "all": [{"minus": [line, {"tones": {"to": -3.0, "soft": 1.0}}]}],
        "feather": 2.0,
    }


def test_every_value_knows_where_it_was_written(job: Job) -> None:
    steps = {(s.label, s.step): s for s in job.resolve("QL0002").steps}
    origins = {key: str(value) for key, value in steps["deep", "burn"].origins.items()}
    frame = QL0002.count("\n")
    assert origins == {
        "": f"frames/QL0002.yaml:{frame + 6}",
        "burn": f"frames/QL0002.yaml:{frame + 6}",
        "mask.feather": f"frames/QL0002.yaml:{frame + 6}",
        "mask.all[0]": f"frames/QL0002.yaml:{frame + 3}",
        "mask.all[0].minus[0]": f"frames/QL0002.yaml:{frame + 2}",
        **{
            f"mask.all[0].minus[0].gradient{part}": f"frames/QL0002.yaml:{frame + 2}"
            for part in ("", ".from", ".from[0]", ".from[1]", ".to", ".to[0]", ".to[1]")
        },
        "mask.all[0].minus[1]": f"frames/QL0002.yaml:{frame + 3}",
        "mask.all[0].minus[1].tones": f"frames/QL0002.yaml:{frame + 3}",
        "mask.all[0].minus[1].tones.to": f"frames/QL0002.yaml:{frame + 3}",
        "mask.all[0].minus[1].tones.soft": "default",
    }
    balance = steps["sky", "balance"].origins
    assert str(balance["balance.mired"]) == f"setups/day.yaml:{DAY.count(chr(10)) + 5}"
    assert str(balance["balance.duv"]) == "default"


def test_what_is_resolved_is_plain_json_and_models_take_it_back(job: Job) -> None:
    for frame in ("QL0001", "QL0002"):
        for step in job.resolve(frame).steps:
            parameters = json.loads(json.dumps(step.parameters))
            assert parameters == step.parameters
            if step.stage == "local":
                mask = Mask.model_validate(parameters["mask"])
                plain = mask.model_dump(mode="json", by_alias=True, exclude_none=True)
                assert plain == parameters["mask"]


def test_the_order_of_edits_of_light_makes_no_other_version(tmp_path: Path) -> None:
    """Dodging and burning commute, so that swapping them in the file makes nothing again."""
    entries = [
        "  - {name: a, mask: {whole: true}, dodge: 0.1}\n",
        "  - {name: b, mask: {tones: {to: 1}}, burn: 0.2, balance: {mired: 9}}\n",
        "  - {name: c, mask: {gradient: {from: [0, 0], to: [1, 1]}}, dodge: 0.3}\n",
    ]
    keys = set()
    for number in range(6):
        random.Random(number).shuffle(entries)
        folder = tmp_path / str(number)
        folder.mkdir()
        job = load_job(files(folder, recipes__mine=MINE + "local:\n" + "".join(entries)))
        keys.add(key_of(inputs_of(job.resolve("QL0009"), "blake3:0", {})))
    assert len(keys) == 1


# --- products -------------------------------------------------------------------------------------


def test_products_are_where_setup_and_frame_say(tmp_path: Path, job: Job) -> None:
    assert job.resolve("QL0009").products == ()
    (product,) = job.resolve("QL0002").products
    assert (product.name, product.lab) == ("red-lamp", (42.4, 51.0, 28.6))
    assert (product.tolerance, product.geometry) == (1.5, "45:0")
    assert product.where["polygon"][0] == [0.3, 0.6]
    nowhere = QL0002 + "products: {red-lamp: {absent: true}}\n" + FRAME
    other = tmp_path / "other"
    other.mkdir()
    resolved = load_job(layered(other, frames__QL0002=nowhere)).resolve("QL0002")
    assert resolved.products == ()
    assert "match" not in [step.step for step in resolved.steps]


def test_a_match_goes_through_its_outline_unless_a_mask_is_given(tmp_path: Path, job: Job) -> None:
    (match,) = (s for s in job.resolve("QL0002").steps if s.step == "match")
    where = [[0.3, 0.6], [0.4, 0.52], [0.5, 0.6], [0.4, 0.68]]
    assert match.parameters == {
        "name": "lamp",
        "mask": {"polygon": where},
        "match": {"product": "red-lamp", "up_to": 6.0},
        "product": {
            "name": "red-lamp",
            "lab": [42.4, 51.0, 28.6],
            "tolerance": 1.5,
            "where": {"polygon": where},
        },
    }
    assert str(match.origins["product"]).startswith("job.yaml:")
    own = FRAME.replace("name: lamp,", "name: lamp, mask: {whole: true},")
    other = tmp_path / "other"
    other.mkdir()
    resolved = load_job(layered(other, frames__QL0002=QL0002 + own)).resolve("QL0002")
    (match,) = (s for s in resolved.steps if s.step == "match")
    assert match.parameters["mask"] == {"whole": True}
    assert match.parameters["product"]["where"] == {"polygon": where}


def test_a_spot_to_measure_at_is_no_mask(tmp_path: Path) -> None:
    spot = "ellipse: {centre: [0.4, 0.6], radii: [0.1, 0.08]}"
    setup = SETUP.replace("polygon: [[0.3, 0.6], [0.4, 0.52], [0.5, 0.6], [0.4, 0.68]]", spot)
    assert problems(layered(tmp_path, setups__day=DAY + setup)) == [
        "frames/QL0002.yaml:11: local[2].match: match without a mask, and red-lamp is known by a "
        "spot to measure at; allowed: a mask of all that is red-lamp"
    ]


def test_reflectance_is_read_by_whoever_can(tmp_path: Path) -> None:
    text = JOB + "products: {jug: {reflectance: measured/jug.csv, tolerance: 1}}\n"
    folder = files(tmp_path, job=text)
    (tmp_path / "measured").mkdir()
    (tmp_path / "measured" / "jug.csv").write_text("400,0.5\n")
    asked = []

    def read(path: Path, name: str) -> tuple[float, float, float]:
        asked.append((path, name))
        return (50.0, 1.0, 2.0)

    job = load_job(folder, read_colour=read)
    assert asked == [(tmp_path / "measured" / "jug.csv", "jug")]
    assert job.products["jug"].lab == (50.0, 1.0, 2.0)

    def refuse(_path: Path, _name: str) -> tuple[float, float, float]:
        raise ValueError("line 1: no wavelengths")

    with pytest.raises(InvalidInput, match=r"job.yaml:9: products.jug.reflectance: .*no wavel"):
        load_job(folder, read_colour=refuse)


def test_hold_becomes_a_step_behind_the_look(tmp_path: Path) -> None:
    job = load_job(layered(tmp_path, recipes__mine=MINE + "hold: [red-lamp]\n" + RECIPE))
    steps = job.resolve("QL0001").steps
    assert [step.stage for step in steps][3:5] == ["hold", "local"]
    held = steps[3]
    assert held.parameters == {
        "products": [{"name": "red-lamp", "lab": [42.4, 51.0, 28.6], "tolerance": 1.5}],
        "stops": 0.1,
    }
    assert str(held.origins[""]) == f"recipes/mine.yaml:{MINE.count(chr(10)) + 1}"


# --- the plan -------------------------------------------------------------------------------------


def reason(before: Job, after: Job, frame: str = "QL0002") -> str:
    """What the plan says of a frame that was developed before its files were changed."""
    known = state(frame)
    inputs = inputs_of(before.resolve(frame), known.original.digest, {})
    master = Artifact("masters/x_v1.tif", "blake3:1", 1)
    version = Version(frame, 1, key_of(inputs), "", json.loads(json.dumps(inputs)), master, "")
    known = FrameState(frame, Original("o", known.original.digest, 1), 4, versions=(version,))
    demand = Demand(selects={frame}, libraries={})
    (action,) = plan([after.resolve(frame)], {frame: known}, demand)
    return f"{action.action}: {action.reason}"


@pytest.mark.parametrize(
    ("file", "old", "new", "said"),
    [
        ("frames__QL0002", "burn: 0.5", "burn: 0.6",
         "develop: deep.burn 0.5 -> 0.6 in frames/QL0002.yaml"),
        ("setups__day", "[0.5, 0.4]", "[0.5, 0.45]",
         "develop: sky.mask.gradient.from[1] 0.40 -> 0.45 in setups/day.yaml"),
        ("setups__day", "mired: -12", "mired: -12, duv: 0.001",
         "develop: sky.balance.duv 0.000 -> 0.001 in setups/day.yaml"),
        ("frames__QL0002", "to: -3", "to: -2.5",
         "develop: deep.mask.all[0].minus[1].tones.to -3.0 -> -2.5 in frames/QL0002.yaml"),
        ("frames__QL0002", "dodge: 0.1, ", "",
         "develop: sky.dodge removed"),
        ("frames__QL0002", "name: deep", "name: deeper",
         "develop: deep.burn removed; deeper.burn added in frames/QL0002.yaml"),
        ("job", "tolerance: 1.5", "tolerance: 1.8",
         "develop: lamp.product.tolerance 1.5 -> 1.8 in job.yaml"),
        ("job", 'geometry: "45:0"', 'geometry: "d:8"', "nothing: v1 is current"),
        ("frames__QL0002", "# end", "# another comment", "nothing: v1 is current"),
    ],
)  # fmt: skip
def test_the_plan_names_the_edit_and_what_changed(
    tmp_path: Path, job: Job, file: str, old: str, new: str, said: str
) -> None:
    texts = {
        "job": JOB + PRODUCTS,
        "setups__day": DAY + SETUP,
        "frames__QL0002": QL0002 + FRAME + "# end\n",
    }
    assert texts[file].count(old) == 1
    texts[file] = texts[file].replace(old, new)
    other = tmp_path / "other"
    other.mkdir()
    assert reason(job, load_job(layered(other, **texts))) == said


def test_painted_masks_count_by_their_content(tmp_path: Path) -> None:
    text = QL0002 + "local:\n  - {name: a, mask: {painted: masks/a.png}, dodge: 0.5}\n"
    folder = files(tmp_path, frames__QL0002=text)
    (folder / "masks").mkdir()
    (folder / "masks" / "a.png").write_bytes(b"one")
    before = load_job(folder)
    assert before.files["masks/a.png"] == folder / "masks" / "a.png"
    (folder / "masks" / "a.png").write_bytes(b"two")
    assert reason(before, load_job(folder)) == "develop: a: masks/a.png has other content"


# --- what is refused ------------------------------------------------------------------------------

BAD_EDITS = {
    "{mask: {whole: true}, dodge: 1}": "local[0].name: missing",
    "{name: dark sky, mask: {whole: true}, dodge: 1}": (
        'local[0].name: "dark sky"; allowed: at most 64 letters, digits, _ and -'
    ),
    "{name: a, dodge: 1}": "local[0]: dodge without a mask; allowed: a mask, which may be whole: "
    "true",
    "{name: a, mask: {whole: true}}": "local[0]: an entry without an edit; allowed: one or more of "
    "heal, balance, dodge, burn, soften, local_contrast, sharpen, contrast, saturation, hue, tint, "
    "match",
    "{name: a, mask: {whole: true}, doge: 1}": "local[0].doge: unknown key, did you mean dodge?; "
    "allowed: name, mask, heal, balance, dodge, burn, soften, local_contrast, sharpen, contrast, "
    "saturation, hue, tint, match",
    "{name: a, mask: {whole: true}, dodge: 9}": "local[0].dodge: 9; allowed: a number from 0 to 4",
    "{name: a, mask: {whole: true}, dodge: lots}": 'local[0].dodge: "lots"; allowed: a number from '
    "0 to 4",
    "{name: a, mask: {whole: true}, balance: {mired: 999}}": "local[0].balance.mired: 999; "
    "allowed: a number from -100 to 250",
    "{name: a, mask: {whole: true}, tint: {hue: 4}}": "local[0].tint.chroma: missing",
    "{name: a, mask: {elipse: 1}, dodge: 1}": "local[0].mask.elipse: unknown key, did you mean "
    "ellipse?; allowed: ellipse, gradient, polygon, path, painted, tones, colour, sharp, "
    "subject, whole, named, all, any, not, minus, times, snap, grow, shrink, feather",
    "{name: a, mask: {}, dodge: 1}": "local[0].mask: no shape in one mask; give exactly one of "
    "ellipse, gradient, polygon, path, painted, tones, colour, sharp, subject, whole, named, "
    "all, any, not, minus, times",
    "{name: a, mask: {whole: true, named: b}, dodge: 1}": "local[0].mask: whole, named in one "
    "mask; give exactly one of ellipse, gradient, polygon, path, painted, tones, colour, sharp, "
    "subject, whole, named, all, any, not, minus, times",
    "{name: a, mask: {whole: false}, dodge: 1}": "local[0].mask.whole: false; allowed: true",
    "{name: a, mask: {ellipse: {centre: [0.5, 0.5], radii: [0.1, 0]}}, dodge: 1}":
        "local[0].mask.ellipse.radii[1]: 0; allowed: a number above 0 to 3",
    "{name: a, mask: {ellipse: {centre: [0.5], radii: [0.1, 1]}}, dodge: 1}":
        "local[0].mask.ellipse.centre[1]: missing",
    "{name: a, mask: {ellipse: {centre: [0.5, 9], radii: [1, 1]}}, dodge: 1}":
        "local[0].mask.ellipse.centre[1]: 9; allowed: a number from -1 to 2",
    "{name: a, mask: {polygon: [[0, 0], [1, 0], [1, 1], [0, 1]], feather: 120}, dodge: 1}":
        "local[0].mask.feather: 120; allowed: a number from 0 to 100",
    "{name: a, mask: {whole: true, snap: 9}, dodge: 1}":
        "local[0].mask.snap: 9; allowed: a number from 0 to 5",
    "{name: a, mask: {tones: {to: 1}, grow: 9, shrink: 2}, dodge: 1}":
        "local[0].mask: grow or shrink, not both",
    "{name: a, mask: {polygon: [[0.1, 0.1], [0.9, 0.9], [0.9, 0.1], [0.1, 0.9]]}, dodge: 1}":
        "local[0].mask.polygon: an outline that crosses itself: the edge after corner 1 meets that "
        "after corner 3; allowed: corners in order around the outside",
    "{name: a, mask: {polygon: [[0.1, 0.1], [0.5, 0.5], [0.9, 0.9]]}, dodge: 1}":
        "local[0].mask.polygon: an outline that crosses itself",
    "{name: a, mask: {polygon: [[0.1, 0.1], [0.5, 0.5]]}, dodge: 1}":
        "local[0].mask.polygon: a list of 2; allowed: a list of 3 to 256, each a list of 2, each a "
        "number from -1 to 2",
    "{name: a, mask: {path: {start: [0.2, 0.2], curves: [[[0.4, 0.4], [0.6, 0.6], [0.8, 0.8]], "
    "[[0.9, 0.6], [0.9, 0.4], [0.8, 0.2]], [[0.6, 0.4], [0.4, 0.6], [0.2, 0.8]]]}}, dodge: 1}":
        "local[0].mask.path: an outline that crosses itself",
    "{name: a, mask: {gradient: {from: [0.5, 0.5], to: [0.5, 0.5]}}, dodge: 1}":
        "local[0].mask.gradient: from and to are one place",
    "{name: a, mask: {tones: {soft: 1}}, dodge: 1}":
        "local[0].mask.tones: give from, to or both",
    "{name: a, mask: {tones: {from: 1, to: -1}}, dodge: 1}":
        "local[0].mask.tones: from must lie below to",
    "{name: a, mask: {colour: {lab: [50, 0, 0], within: 2, soft: 5}}, dodge: 1}":
        "local[0].mask.colour: soft is more than twice within",
    "{name: a, mask: {named: rimm}, dodge: 1}":
        "local[0].mask.named: no mask called rimm, did you mean rim?; allowed: rim, one, two",
    "{name: a, mask: {any: [{named: one}]}, dodge: 1}":
        "masks.two.not.named: a circle of masks: one -> two -> one; allowed: names that end",
    "{name: a, mask: {ellipse: {centre: [1.5, 0.5], radii: [0.1, 0.1]}}, dodge: 1}":
        "local[0].mask: a mask that selects nothing; allowed: a part of the frame",
    "{name: a, mask: {not: {whole: true}}, dodge: 1}":
        "local[0].mask: a mask that selects nothing; allowed: a part of the frame",
    "{name: a, mask: {polygon: [[-1, -1], [2, -1], [2, 2], [-1, 2]]}, dodge: 1}":
        "local[0].mask: a mask that selects everything; allowed: a part of the frame, or whole: "
        "true",
    "{name: a, mask: {painted: masks/none.png}, dodge: 1}":
        'local[0].mask.painted: "masks/none.png" cannot be read: no such file or directory',
    "{name: a, mask: {painted: ../none.png}, dodge: 1}":
        'local[0].mask.painted: "../none.png": a path that leaves the folder; allowed: a file '
        "below the job's folder, or below that of a house recipe",
    "{name: a, mask: {painted: /etc/passwd}, dodge: 1}":
        'local[0].mask.painted: "/etc/passwd": a path that leaves the folder',
    "{name: a, match: {product: red-lmap}}":
        "local[0].match.product: no product called red-lmap, did you mean red-lamp?; allowed: "
        "red-lamp, jug",
    "{name: a, match: {product: jug}}":
        "local[0].match: match without a mask, and no file says where jug is; allowed: a mask, or "
        "products: {jug: {where: ...}} in the setup or the frame",
    "{name: a, match: {product: red-lamp, up_to: 90}}":
        "local[0].match.up_to: 90; allowed: a number from 0 to 20",
}  # fmt: skip
CIRCLE = "masks:\n  one: {any: [{named: two}, {whole: true}]}\n  two: {not: {named: one}}\n"


@pytest.mark.parametrize("entry", BAD_EDITS)
def test_a_bad_edit_is_said_with_file_line_place_and_what_is_allowed(
    tmp_path: Path, entry: str
) -> None:
    masks = CIRCLE if "named: one" in entry else ""
    if "rimm" in entry:
        masks = "masks:\n  one: {whole: true}\n  two: {whole: true}\n"
    frame = "frame: QL0002\n" + masks + f"local:\n  - {entry}\n"
    found = problems(layered(tmp_path, frames__QL0002=frame))
    line = 4 if "circle" in BAD_EDITS[entry] else frame.count("\n")
    expected = f"frames/QL0002.yaml:{line}: {BAD_EDITS[entry]}"
    assert [text for text in found if text.startswith(expected)], found
    assert len(found) == (2 if "circle" in expected else 1)  # one for each name in the circle


BAD_FILES = [
    ({"recipes__mine": MINE + RECIPE + "  - {name: edges, burn: 0.1}\n"},
     "recipes/mine.yaml:10: local[1]: edges is here twice; allowed: a name of its own for each"),
    ({"recipes__mine": MINE + "hold: [lamp]\n" + RECIPE},
     "recipes/mine.yaml:6: hold[0]: no product called lamp, did you mean red-lamp?; allowed: "
     "red-lamp, jug"),
    ({"job": JOB + PRODUCTS + "  x: {tolerance: 1}\n"},
     "job.yaml:12: products.x: give exactly one of lab, reflectance"),
    ({"job": JOB + PRODUCTS + "  x: {lab: [200, 0, 0]}\n"},
     "job.yaml:12: products.x.lab[0]: 200; allowed: a number from 0 to 100"),
    ({"job": JOB + PRODUCTS + "  x: {reflectance: x.csv}\n"},
     'job.yaml:12: products.x.reflectance: "x.csv" cannot be read: no such file or directory'),
    ({"frames__QL0002": "frame: QL0002\nproducts: {jugg: {where: {whole: true}}}\n"},
     "frames/QL0002.yaml:2: products.jugg: no product called jugg, did you mean jug?; allowed: "
     "red-lamp, jug"),
    ({"frames__QL0002": "frame: QL0002\nproducts: {jug: {where: {tones: {to: 1}}}}\n"},
     "frames/QL0002.yaml:2: products.jug: where is a place: tones, colour, focus depend on what "
     "the picture shows"),
    ({"frames__QL0002": "frame: QL0002\nmasks: {dark: {tones: {to: 1}}}\n"
      "products: {jug: {where: {named: dark}}}\n"},
     "frames/QL0002.yaml:3: products.jug.where: a mask by tones, colour or focus, which depend on "
     "what the picture shows; allowed: a place"),
    ({"frames__QL0002": "frame: QL0002\nproducts: {jug: {}}\n"},
     "frames/QL0002.yaml:2: products.jug: give exactly one of where, absent"),
    ({"setups__day": DAY + "masks: {rim: {named: rim}}\n"},
     "setups/day.yaml:5: masks.rim.named: a circle of masks: rim -> rim; allowed: names that end"),
]  # fmt: skip


@pytest.mark.parametrize(("texts", "said"), BAD_FILES)
def test_what_is_wrong_in_any_file_is_said(
    tmp_path: Path, texts: dict[str, str], said: str
) -> None:
    found = problems(layered(tmp_path, **texts))
    assert said in found, found


def test_a_recipe_may_name_masks_that_each_frame_defines(tmp_path: Path) -> None:
    recipe = MINE + "local:\n  - {name: face, mask: {named: face}, dodge: 0.2}\n"
    own = QL0002 + "masks: {face: {tones: {from: 0}}}\n"
    job = load_job(files(tmp_path, recipes__mine=recipe, frames__QL0002=own))
    (face,) = (step for step in job.resolve("QL0002").steps if step.stage == "local")
    assert face.parameters["mask"] == {"tones": {"from": 0.0, "soft": 1.0}}
    with pytest.raises(InvalidInput) as raised:
        job.resolve("QL0001")
    (problem,) = raised.value.problems
    assert str(problem).startswith("recipes/mine.yaml:7: local[0].mask.named: no mask called face")


def test_names_cannot_multiply_without_end(tmp_path: Path) -> None:
    lines = ["masks:", "  m0: {whole: true}"]
    for number in range(1, 12):
        parts = ", ".join([f"{{named: m{number - 1}}}"] * 16)
        lines.append(f"  m{number}: {{any: [{parts}]}}")
    text = QL0002 + "\n".join(lines) + "\nlocal:\n  - {name: a, mask: {named: m11}, dodge: 1}\n"
    found = problems(files(tmp_path, frames__QL0002=text))
    assert any("a mask of more than 200 shapes" in text for text in found)


# --- geometry that can be judged without pixels ---------------------------------------------------


@pytest.mark.parametrize(
    ("mask", "known"),
    [
        ({"whole": True}, "everything"),
        ({"ellipse": {"centre": [0.5, 0.5], "radii": [0.8, 0.8]}}, "everything"),
        ({"ellipse": {"centre": [0.5, 0.5], "radii": [0.8, 0.8], "feather": 0.5}}, "something"),
        ({"ellipse": {"centre": [0.5, 0.5], "radii": [0.7, 0.7]}}, "something"),
        ({"ellipse": {"centre": [1.3, 0.5], "radii": [0.2, 0.2]}}, "nothing"),
        ({"ellipse": {"centre": [1.3, 0.5], "radii": [0.2, 0.2], "feather": 1.2}}, "something"),
        ({"ellipse": {"centre": [1.3, 0.5], "radii": [0.2, 0.2], "angle_deg": 40}}, "something"),
        ({"polygon": [[-0.5, -0.2], [1.2, -0.3], [0.5, 3 / 2]]}, "something"),
        ({"polygon": [[-1, -1], [2, -1], [2, 2], [-1, 2]]}, "everything"),
        ({"polygon": [[1.1, 0], [1.5, 0], [1.5, 1]]}, "nothing"),
        ({"polygon": [[1.1, 0], [1.5, 0], [1.5, 1]], "feather": 10.0}, "something"),
        ({"all": [{"whole": True}, {"tones": {"to": 1}}]}, "something"),
        ({"any": [{"whole": True}, {"tones": {"to": 1}}]}, "everything"),
        ({"minus": [{"tones": {"to": 1}}, {"whole": True}]}, "nothing"),
        ({"minus": [{"whole": True}, {"polygon": [[1.1, 0], [1.5, 0], [1.5, 1]]}]}, "everything"),
        ({"times": [{"tones": {"to": 1}}, {"not": {"whole": True}}]}, "nothing"),
    ],
)
def test_what_a_mask_selects_is_known_only_where_geometry_is_sure(
    mask: dict[str, Any], known: str
) -> None:
    assert extent(Mask.model_validate(mask)) == known


def test_what_geometry_is_sure_of_is_what_the_pixels_show(rng) -> None:
    """Random outlines and ellipses: whatever is called nothing or everything is."""
    from pipeline.kernels.masks import Grid
    from pipeline.masking import Sight, density_of

    draw = random.Random(4)
    seen: dict[str, int] = {}
    for _ in range(1500):
        if draw.random() < 0.5:
            shape = {"ellipse": {
                "centre": [draw.uniform(-0.8, 1.8), draw.uniform(-0.8, 1.8)],
                "radii": [draw.uniform(0.05, 2.5), draw.uniform(0.05, 2.5)],
                "angle_deg": draw.choice([0.0, 0.0, draw.uniform(-90, 90)]),
                "feather": draw.choice([0.0, draw.uniform(0, 1)]),
            }}  # fmt: skip
        else:
            x, y, r = draw.uniform(-0.6, 1.6), draw.uniform(-0.6, 1.6), draw.uniform(0.02, 0.4)
            shape = {"polygon": [[x - r, y - r], [x + r, y - 0.7 * r], [x, y + r]]}
        mask = Mask.model_validate(shape)
        known = extent(mask)
        seen[known] = seen.get(known, 0) + 1
        for size in ((40, 60), (60, 40)):
            grid = Grid.over(*size)
            density = density_of(mask, grid, Sight()).at(grid.box)
            if known == "nothing":
                assert not density.any()
            elif known == "everything":
                assert density.min() > 0.99
    assert min(seen.values()) > 50, seen


# --- schemas --------------------------------------------------------------------------------------


def test_the_schemas_take_what_the_models_take() -> None:
    for kind in ("recipe", "setup", "frame"):
        schema = schema_of(kind)
        base = {kind: "a"}
        for entry, accepted in [
            ({"name": "a", "mask": {"whole": True}, "dodge": 0.3}, True),
            ({"name": "a", "mask": {"not": {"named": "b"}, "feather": 2}, "hue": -4}, True),
            ({"name": "a", "mask": {"polygon": [[0, 0], [1, 0], [1, 1]]}, "burn": 1}, True),
            ({"name": "a", "dodge": 9}, False),
            ({"name": "a", "doge": 1}, False),
            ({"mask": {"whole": True}}, False),
            ({"name": "a", "mask": {"ellipse": {"centre": [0.5, 0.5]}}, "burn": 1}, False),
        ]:
            value = {**base, "local": [entry], "masks": {"b": {"tones": {"to": -1}}}}
            assert valid(value, schema, schema) is accepted, entry
    job = schema_of("job")
    base = {"job": "a", "client": "b", "recipe": "c"}
    assert valid({**base, "products": {"a": {"lab": [50, 0, 0]}}}, job, job)
    assert not valid({**base, "products": {"a": {"lab": [500, 0, 0]}}}, job, job)


def test_every_field_of_a_mask_is_described_and_bounded() -> None:
    schema = Mask.model_json_schema()
    for name, part in schema["$defs"].items():
        for key, field in part["properties"].items():
            assert "description" in field, f"{name}.{key}"
