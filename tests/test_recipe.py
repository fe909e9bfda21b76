"""Recipes: the house looks, and how one layer lies over another."""

from __future__ import annotations

import textwrap
from pathlib import Path

import pytest

from pipeline.errors import InvalidInput
from pipeline.recipe import Layers, Recipe, house_recipes, read_recipe, shipped
from pipeline.records import ResolvedStep
from pipeline.steps import STEPS
from pipeline.yamlfile import read


class Desk:
    """A folder with a recipe and what is laid over it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.layers = Layers(STEPS)

    def recipe(self, text: str) -> Recipe | None:
        path = self.folder / "r.yaml"
        path.write_text("recipe: r\n" + textwrap.dedent(text))
        return read_recipe(self.layers, path, "r.yaml", self.folder)

    def steps(self, recipe: str, *overrides: str) -> list[ResolvedStep]:
        read_once = self.recipe(recipe)
        assert read_once is not None
        chain = read_once.chain
        for number, text in enumerate(overrides):
            path = self.folder / f"o{number}.yaml"
            path.write_text(textwrap.dedent(text))
            document = read(path, path.name, self.folder)
            chain = self.layers.over(chain, self.layers.entries(document, "adjust"))
        return [link.resolved for link in chain if link.resolved]

    @property
    def problems(self) -> list[str]:
        return [str(problem) for problem in self.layers.problems]


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path)


@pytest.mark.parametrize("name", house_recipes())
def test_house_recipes_are_valid_and_explained(name: str) -> None:
    folder = shipped("recipes")
    layers = Layers(STEPS)
    path = folder / f"{name}.yaml"
    recipe = read_recipe(layers, path, path.name, folder)
    assert layers.problems == []
    assert recipe is not None
    assert recipe.document.value["about"]
    assert path.read_text().startswith("#")
    # a frame's own exposure and balance have a step to override in every look
    assert {"balance", "expose"} <= {link.entry.label for link in recipe.chain}


def test_there_are_four_house_looks_and_the_plain_one_has_no_curve() -> None:
    assert len(house_recipes()) == 4
    assert "tone:" not in "".join(
        line for line in (shipped("recipes") / "plain.yaml").open() if not line.startswith("#")
    )


def test_later_layers_override_key_by_key_and_keep_the_origin_of_each(desk: Desk) -> None:
    (tone,) = desk.steps(
        "look:\n  - tone: {contrast: 1.1, toe: 0.2}\n",
        "adjust:\n  - tone: {contrast: 1.2}\n",
        "# a frame\nadjust:\n  - tone: {shoulder: 0.5}\n",
    )
    assert desk.problems == []
    assert tone.stage == "look"
    assert tone.parameters == {"contrast": 1.2, "toe": 0.2, "shoulder": 0.5, "pivot": 0.18}
    origins = {key: str(origin) for key, origin in tone.origins.items()}
    assert origins == {
        "": "o1.yaml:3",
        "contrast": "o0.yaml:2",
        "toe": "r.yaml:3",
        "shoulder": "o1.yaml:3",
        "pivot": "default",
    }


@pytest.mark.parametrize(
    ("earlier", "later", "together"),
    [
        ("{from: as-shot}", "{kelvin: 5200, duv: 0.002}", {"kelvin": 5200, "duv": 0.002}),
        ("{kelvin: 5200, duv: 0.002}", "{kelvin: 5600}", {"kelvin": 5600, "duv": 0.002}),
        ("{kelvin: 5200, duv: 0.002}", "{from: as-shot}", {"from": "as-shot"}),
        ("{kelvin: 5200}", "{neutral: [0.41, 0.63]}", {"neutral": [0.41, 0.63]}),
        ("", "{kelvin: 3000}", {"kelvin": 3000}),
    ],
)
def test_choices_that_exclude_each_other_replace_each_other(
    desk: Desk, earlier: str, later: str, together: dict[str, object]
) -> None:
    (balance,) = desk.steps(f"look:\n  - balance: {earlier}\n", f"adjust:\n  - balance: {later}\n")
    assert desk.problems == []
    assert balance.parameters == together


def test_what_is_wrong_together_and_alone_is_reported_where_it_was_written_last(desk: Desk) -> None:
    desk.steps("look:\n  - balance: {from: as-shot}\n", "adjust:\n\n  - balance: {duv: 0.001}\n")
    assert desk.problems == ["o0.yaml:3: adjust[0].balance: duv goes with kelvin"]


def test_values_that_do_not_go_together_never_make_others_vanish(desk: Desk) -> None:
    # {red: -0.5} is valid with the default green and blue, but those are not what the recipe says
    desk.steps(
        "look:\n  - mono: {red: 0.2, green: 0.3, blue: 0.2}\n", "adjust:\n  - mono: {red: -0.5}\n"
    )
    (problem,) = desk.problems
    assert problem.startswith("o0.yaml:2: adjust[0].mono: the weights of red, green and blue")


def test_a_step_that_the_recipe_lacks_joins_the_adjust_stage(desk: Desk) -> None:
    steps = desk.steps(
        "look:\n  - expose: {stops: 1}\nadjust:\n  - mono:\nfinish:\n  - tone: {contrast: 1.1}\n",
        "adjust:\n  - hue: [{at: 40}]\n",
    )
    assert [(step.stage, step.label) for step in steps] == [
        ("look", "expose"),
        ("adjust", "mono"),
        ("adjust", "hue"),
        ("finish", "tone"),
    ]


def test_a_step_that_is_a_list_is_replaced_whole_and_keeps_its_places(desk: Desk) -> None:
    (hue,) = desk.steps(
        "look:\n  - hue: [{at: 40}, {at: 90, turn: 3}]\n",
        "adjust:\n  - hue:\n      - {at: 140,\n         chroma: 1.1}\n",
    )
    (band,) = hue.parameters["bands"]
    assert (band["at"], band["chroma"], band["turn"]) == (140, 1.1, 0)
    assert str(hue.origins["bands[0].at"]) == "o0.yaml:3"
    assert str(hue.origins["bands[0].chroma"]) == "o0.yaml:4"
    assert str(hue.origins["bands[0].turn"]) == "default"


TWICE = "look:\n  - expose: {stops: 1}\n  - {name: fill, expose: {stops: 0.5}}\n"


def test_a_step_that_occurs_twice_is_overridden_by_its_name(desk: Desk) -> None:
    steps = desk.steps(TWICE, "adjust:\n  - {name: fill, expose: {stops: 0.2}}\n")
    assert [(step.label, step.parameters["stops"]) for step in steps] == [
        ("expose", 1.0),
        ("fill", 0.2),
    ]
    steps = desk.steps(TWICE, "adjust:\n  - expose: {stops: 0.2}\n")
    assert [step.parameters["stops"] for step in steps] == [0.2, 0.5]
    assert desk.problems == []


def test_the_only_step_of_a_kind_is_meant_whatever_its_name(desk: Desk) -> None:
    (step,) = desk.steps(
        "look:\n  - {name: key, expose: {stops: 1}}\n", "adjust:\n  - expose: {stops: 2}\n"
    )
    assert (step.label, step.parameters["stops"]) == ("key", 2)


@pytest.mark.parametrize(
    ("recipe", "override", "problem"),
    [
        (
            "look:\n  - {name: a, expose: {}}\n  - {name: b, expose: {}}\n",
            "adjust:\n  - expose: {stops: 1}\n",
            "o0.yaml:2: adjust[0].expose: expose occurs 2 times; allowed: name: one of a, b",
        ),
        (
            "look:\n  - {name: a, expose: {}}\n",
            "adjust:\n  - {name: a, mono: {}}\n",
            "o0.yaml:2: adjust[0].mono: a is a step of the kind expose; allowed: another name",
        ),
        (
            "look:\n  - expose: {}\nadjust:\n  - expose: {}\n",
            "",
            "r.yaml:5: adjust[0].expose: expose is in look already;"
            " allowed: a name: of its own for each",
        ),
        (
            "look:\n  - expose: {}\n  - expose: {}\n",
            "",
            "r.yaml:4: look[1]: expose is here twice; allowed: a name: of its own for each",
        ),
        (
            "look:\n  - tome: {}\n",
            "",
            "r.yaml:3: look[0].tome: unknown step, did you mean tone?;"
            " allowed: balance, deblur, expose, grain, hue, mono, primaries, spotting, table, tone",
        ),
        (
            "look:\n  - expose: {}\n    tone: {}\n",
            "",
            "r.yaml:3: look[0]: 2 steps in one entry; allowed: one step behind each dash",
        ),
        (
            "look:\n  - {name: x}\n",
            "",
            "r.yaml:3: look[0]: an entry without a step; allowed: one step behind each dash",
        ),
        (
            "look:\n  - expose: 3\n",
            "",
            "r.yaml:3: look[0].expose: 3; allowed: a mapping with the keys stops",
        ),
        (
            "look:\n  - expose: {stop: 1}\n",
            "",
            "r.yaml:3: look[0].expose.stop: unknown key, did you mean stops?; allowed: stops",
        ),
        (
            "look:\n  - tone: {\n    contrast: '1.1'}\n",
            "",
            'r.yaml:4: look[0].tone.contrast: "1.1"; allowed: a number from 0.25 to 4',
        ),
        (
            "look:\n  - primaries: {slope: [1, 1]}\n",
            "",
            "r.yaml:3: look[0].primaries.slope[2]: missing; allowed: a number from 0 to 16",
        ),
        (
            "look:\n  - balance: {from: memory}\n",
            "",
            'r.yaml:3: look[0].balance.from: "memory"; allowed: as-shot, chart',
        ),
    ],
)
def test_problems_say_where_what_and_what_is_allowed(
    desk: Desk, recipe: str, override: str, problem: str
) -> None:
    desk.steps(recipe, *([override] if override else []))
    assert desk.problems == [problem]


def test_all_problems_of_a_recipe_are_reported_even_when_its_form_is_wrong(desk: Desk) -> None:
    assert desk.recipe("loook: []\nlook:\n  - expose: {stops: x}\n  - nonsense: {}\n") is None
    assert [problem.split(": ")[1] for problem in desk.problems] == [
        "loook",
        "look[0].expose.stops",
        "look[1].nonsense",
    ]


def test_a_recipe_is_called_like_its_file(desk: Desk) -> None:
    path = desk.folder / "other.yaml"
    path.write_text("recipe: r\n")
    read_recipe(desk.layers, path, "other.yaml", desk.folder)
    assert desk.problems == [
        'other.yaml:1: recipe: the file is called "other", the recipe r; allowed: one name for both'
    ]


def test_deliveries_are_named_alone_or_with_settings(desk: Desk) -> None:
    recipe = desk.recipe("deliver:\n  - web\n  - print: {format: tiff}\n")
    assert recipe is not None
    assert {name: written.value for name, written in recipe.deliver.items()} == {
        "web": {},
        "print": {"format": "tiff"},
    }
    assert str(recipe.deliver["print"].origin) == "r.yaml:4"
    desk.recipe("deliver: [web, web, {a: {}, b: {}}, 3]\n")
    assert [problem.partition(": ")[2] for problem in desk.problems] == [
        "deliver[2]: a mapping of a, b; allowed: the name of a delivery, or NAME: {settings}",
        "deliver[3]: 3; allowed: the name of a delivery, or NAME: {settings}",
    ]


def test_the_content_of_a_table_is_part_of_the_step(desk: Desk) -> None:
    (desk.folder / "tables").mkdir()
    (desk.folder / "tables/warm.cube").touch()
    (step,) = desk.steps("look:\n  - table: {file: tables/warm.cube}\n")
    # the published BLAKE3 test vector for no input (from memory)
    empty = "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262"
    assert step.files == {"tables/warm.cube": f"blake3:{empty}"}
    assert desk.layers.files == {"tables/warm.cube": desk.folder / "tables/warm.cube"}
    assert desk.problems == []


@pytest.mark.parametrize(
    ("file", "found"),
    [
        ("missing.cube", "cannot be read: no such file"),
        ("../x.cube", "a path that leaves the folder"),
        ("/etc/passwd", "a path that leaves the folder"),
        ("out/x.cube", "a link that leaves the folder"),
        ("a\\x.cube", "a path with a drive or a backslash"),
        (".", "cannot be read: is a directory"),
    ],
)
def test_tables_that_are_missing_or_elsewhere_are_refused(
    desk: Desk, file: str, found: str
) -> None:
    (desk.folder / "out").symlink_to("/tmp")
    desk.steps(f"look:\n  - table:\n      file: {file}\n")
    (problem,) = desk.problems
    assert problem.startswith("r.yaml:4: look[0].table.file: ")
    assert found in problem


def test_a_recipe_that_cannot_be_read_is_one_problem(desk: Desk) -> None:
    path = desk.folder / "none.yaml"
    assert read_recipe(desk.layers, path, "none.yaml", desk.folder) is None
    assert desk.problems == ["none.yaml: the file does not exist"]
    with pytest.raises(InvalidInput):
        raise InvalidInput(desk.layers.problems)
