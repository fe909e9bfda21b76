"""Measured charts and product colours as instruments and spreadsheets write them."""

from __future__ import annotations

import os

import colour
import numpy as np
import pytest

from pipeline.files.measured import MAX_BYTES, MAX_ROWS, read_chart, read_colour
from pipeline.kernels.references import PATCHES, lab_of_reflectance, reference_xyz
from tests.spectral import SHAPE, chart_reflectances

D50 = np.array([0.3457, 0.3585])
LAB = colour.XYZ_to_Lab(reference_xyz("after-2014"), D50)
LETTERS = [f"{'ABCD'[k // 6]}{k % 6 + 1}" for k in range(24)]
BY_COLUMN = [f"{'ABCDEF'[k % 6]}{k // 6 + 1}" for k in range(24)]
NUMBERS = [str(k + 1) for k in range(24)]
LONG_NAMES = list(colour.SDS_COLOURCHECKERS["BabelColor Average"])  # "neutral 5 (.70 D)" and such


def cgats(fields: str, rows: list[str], header: str = "") -> str:
    return "\n".join(
        [
            "CGATS.17",
            'ORIGINATOR "a bench spectrophotometer"',
            header,
            f"NUMBER_OF_FIELDS {len(fields.split())}",
            "BEGIN_DATA_FORMAT",
            fields,
            "END_DATA_FORMAT",
            f"NUMBER_OF_SETS {len(rows)}",
            "BEGIN_DATA",
            *rows,
            "END_DATA",
            "",
        ]
    )


def lab_rows(names, lab=LAB, separator="\t") -> list[str]:
    return [
        separator.join([name, *(f"{v:.4f}" for v in row)])
        for name, row in zip(names, lab, strict=True)
    ]


def written(tmp_path, text, name="chart.txt"):
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def lab_of_file(path) -> np.ndarray:
    return colour.XYZ_to_Lab(read_chart(path), D50)


@pytest.mark.parametrize("names", [LETTERS, BY_COLUMN, NUMBERS, LONG_NAMES, list(PATCHES)])
def test_cgats_lab_in_any_order_of_rows(tmp_path, rng, names):
    quoted = [f'"{name}"' for name in names]
    rows = list(np.array(lab_rows(quoted))[rng.permutation(24)])
    path = written(tmp_path, cgats("SAMPLE_NAME LAB_L LAB_A LAB_B", rows))
    np.testing.assert_allclose(lab_of_file(path), LAB, atol=1e-3)


def test_rows_without_names_are_in_chart_order(tmp_path):
    rows = [row.split("\t", 1)[1] for row in lab_rows(NUMBERS)]
    path = written(tmp_path, cgats("LAB_L LAB_A LAB_B", rows))
    np.testing.assert_allclose(lab_of_file(path), LAB, atol=1e-3)


def test_running_numbers_beside_names_are_passed_over(tmp_path):
    """SAMPLE_ID may count a whole session's readings: the names decide."""
    rows = [f'{100 + k}\t"{row}' for k, row in enumerate(lab_rows([f'{n}"' for n in LETTERS]))]
    path = written(tmp_path, cgats("SAMPLE_ID SAMPLE_NAME LAB_L LAB_A LAB_B", rows))
    np.testing.assert_allclose(lab_of_file(path), LAB, atol=1e-3)


def test_cgats_xyz_of_100(tmp_path):
    rows = lab_rows(LETTERS, reference_xyz("after-2014") * 100)
    path = written(tmp_path, cgats("SAMPLE_NAME XYZ_X XYZ_Y XYZ_Z", rows))
    np.testing.assert_allclose(read_chart(path), reference_xyz("after-2014"), atol=1e-5)


@pytest.mark.parametrize(
    "field", ["SPECTRAL_NM{}", "SPECTRAL_{}", "NM_{}", "SPECTRAL_NM_{}", "{}nm"]
)
@pytest.mark.parametrize("scale", [1, 100])
def test_cgats_spectra(tmp_path, field, scale):
    nm = np.arange(380, 731, 10)
    wanted = np.isin(SHAPE.wavelengths, nm)
    reflectance = chart_reflectances()[:, wanted]
    fields = "SAMPLE_ID " + " ".join(field.format(n) for n in nm)
    path = written(tmp_path, cgats(fields, lab_rows(NUMBERS, reflectance * scale)))
    expected = lab_of_reflectance(nm, reflectance)
    np.testing.assert_allclose(lab_of_file(path), expected, atol=0.02)


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize(
    "header", ["name{0}L{0}a{0}b", "Patch{0}L*{0}a*{0}b*", "ID{0}LAB_L{0}LAB_A{0}LAB_B"]
)
def test_csv_lab(tmp_path, separator, header):
    text = "\n".join(
        [
            "# measured on the bench",
            header.format(separator),
            *lab_rows(LETTERS, separator=separator),
            "",
        ]
    )
    path = written(tmp_path, "\ufeff" + text, "chart.csv")
    np.testing.assert_allclose(lab_of_file(path), LAB, atol=1e-3)


def test_csv_with_decimal_commas(tmp_path):
    rows = [row.replace(".", ",") for row in lab_rows(LETTERS, separator=";")]
    path = written(tmp_path, "\r\n".join(["name;L;a;b", *rows]), "chart.csv")
    np.testing.assert_allclose(lab_of_file(path), LAB, atol=1e-3)


def test_csv_spectra(tmp_path):
    nm = np.arange(380, 781, 5)
    rows = lab_rows(LETTERS, chart_reflectances(), ",")
    path = written(tmp_path, "\n".join(["patch," + ",".join(map(str, nm)), *rows]), "chart.csv")
    expected = lab_of_reflectance(nm, chart_reflectances())
    np.testing.assert_allclose(lab_of_file(path), expected, atol=0.02)


def test_one_product_colour(tmp_path):
    path = written(tmp_path, "name,L,a,b\nred enamel,42.4,51.0,28.6\n", "red.csv")
    np.testing.assert_array_equal(read_colour(path), [42.4, 51.0, 28.6])
    np.testing.assert_array_equal(read_colour(path, "red enamel"), [42.4, 51.0, 28.6])
    with pytest.raises(ValueError, match=r"^red.csv: no row is called 'teal enamel'$"):
        read_colour(path, "teal enamel")


def test_one_of_several_product_colours(tmp_path):
    text = "name,L,a,b\nred,42,51,28\nteal,50,-30,-28\nteal,51,-30,-28\n"
    path = written(tmp_path, text, "products.csv")
    np.testing.assert_array_equal(read_colour(path, "red"), [42, 51, 28])
    with pytest.raises(ValueError, match=r"^products.csv: it holds 3 colours; say which"):
        read_colour(path)
    with pytest.raises(ValueError, match=r"^products.csv, line 4: a second row is called 'teal'"):
        read_colour(path, "teal")


def test_one_product_spectrum(tmp_path):
    nm = np.arange(400, 701, 10)
    row = ",".join(f"{v:.3f}" for v in np.linspace(5, 60, len(nm)))
    path = written(tmp_path, f"name,{','.join(map(str, nm))}\nred,{row}\n", "red.csv")
    expected = lab_of_reflectance(nm, np.round(np.linspace(5, 60, len(nm)), 3) / 100)
    np.testing.assert_allclose(read_colour(path), expected, atol=1e-9)


# what is refused


def faults():
    rows = lab_rows(LETTERS)
    fields = "SAMPLE_NAME LAB_L LAB_A LAB_B"
    swapped = [*rows[:18], rows[19], rows[18], *rows[20:]]
    yield "a row missing", cgats(fields, rows[:23]), r"^chart.txt: .*missing: black$"
    yield (
        "a patch twice",
        cgats(fields, [*rows, rows[3]]),
        r"line 34: the patch foliage is there twice",
    )
    yield "no names, 23 rows", cgats("LAB_L LAB_A LAB_B", ["50 0 0"] * 23), "it has 23 rows"
    yield "a word", cgats(fields, [rows[0].replace("37.5", "x7.5"), *rows[1:]]), "line 10: 'x7.5"
    yield "not finite", cgats(fields, ["A1 nan 0 0", *rows[1:]]), "line 10: 'nan' is not a number"
    yield "a value too many", cgats(fields, [rows[0] + " 5", *rows[1:]]), "line 10: 5 values, where"
    yield "L of 500", cgats(fields, ["A1 500 0 0", *rows[1:]]), r"line 10: L\* is 500; a surface"
    yield (
        "the ramp reversed",
        cgats("LAB_L LAB_A LAB_B", [r.split("\t", 1)[1] for r in swapped]),
        ("line 29: neutral 8 is not darker than white"),
    )
    yield (
        "another light",
        cgats(fields, rows, 'WEIGHTING_FUNCTION "ILLUMINANT, D65"'),
        ("line 3: its values are for 'ILLUMINANT, D65'"),
    )
    yield (
        "another observer",
        cgats(fields, rows, 'WEIGHTING_FUNCTION "OBSERVER, 10 degree"'),
        ("give values for D50 and the 2 degree observer"),
    )
    yield (
        "no colours",
        cgats("SAMPLE_NAME DENSITY", [f"{name} 1.2" for name in LETTERS]),
        "no columns of colours",
    )
    yield (
        "XYZ of 1",
        cgats("XYZ_X XYZ_Y XYZ_Z", lab_rows([""] * 24, reference_xyz("average"))),
        ("go up to 1; give them of 100"),
    )
    yield "a short spectrum", cgats("NM_450 NM_460", ["0.5 0.5"] * 24), "must cover 400 to 700 nm"
    yield "an odd spectrum", cgats("NM_380 NM_387", ["0.5 0.5"] * 24), "5, 10 or 20 nm apart"
    yield "a mirror", cgats("NM_400 NM_700", ["900 0.5"] * 24), "not between 0 and 1"
    yield "twice a column", cgats("LAB_L LAB_L LAB_B", ["5 0 0"] * 24), "two columns are called 'l'"
    yield "nothing", "", "it holds no colours"
    yield "only a header", "name,L,a,b\n", "it holds no colours"
    yield "binary", b"\x00\x01" * 100, "not a text file"
    yield "too many rows", "L,a,b\n" + "50,0,0\n" * (MAX_ROWS + 1), "more than 5000 rows"
    yield "too many columns", ",".join(map(str, range(1200))) + "\n", "more than 1000 columns"
    yield "too large", b" " * (MAX_BYTES + 1), "larger than 4 MB"
    yield "a quote left open", 'name,L,a,b\n"A1,5,0,0\n', "1 values, where there are 4 columns"


@pytest.mark.parametrize(
    ("text", "sentence"), [f[1:] for f in faults()], ids=[f[0] for f in faults()]
)
def test_bad_files_are_refused_with_a_sentence(tmp_path, text, sentence):
    path = written(tmp_path, text)
    with pytest.raises(ValueError, match=sentence) as raised:
        read_chart(path)
    assert str(raised.value).startswith("chart.txt")
    assert "\n" not in str(raised.value)


def test_what_is_no_file_is_refused(tmp_path):
    with pytest.raises(ValueError, match=r"^none.csv: the file cannot be read: no such file"):
        read_chart(tmp_path / "none.csv")
    with pytest.raises(ValueError, match="not a regular file"):
        read_chart(tmp_path)
    os.mkfifo(tmp_path / "pipe.csv")
    with pytest.raises(ValueError, match="not a regular file"):
        read_chart(tmp_path / "pipe.csv")
