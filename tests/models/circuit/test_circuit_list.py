"""Circuit lists: read as written, and every mistake reported at once with its line."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.circuit.circuit_list import CLASSES, COLUMNS, CircuitListError, parse_circuit_list, read_circuit_list
from models.circuit.colours import IEC_60757, ColourError, colour_code
from models.repair import CIRCUIT_CLASSES
from vision.wire_colour import REFERENCE_LAB

GOOD = """circuit,colour,size_mm2,from,from_cavity,to,to_cavity,length_mm,fuse_A,duty,class
L1,RD/WH,0.5,X1,1,X2,1,1200,10,continuous,none

L2,bk,AWG18,X1,2,S1,,812.5,,,
"""


def mistakes(text):
    with pytest.raises(CircuitListError) as caught:
        parse_circuit_list(text if isinstance(text, bytes) else text.encode(), "list.csv")
    return caught.value.mistakes


def row(**changes):
    usual = ["L1", "RD", "0.5", "X1", "1", "X2", "1", "1200", "10", "continuous", "none"]
    values = dict(zip(COLUMNS, usual, strict=True))
    return ",".join({**values, **changes}.values())


def listed(*rows):
    return "\n".join([",".join(COLUMNS), *rows]) + "\n"


def test_a_good_list_is_read_as_written():
    """Empty lines do not count, what is not stated is None, and the line is remembered."""
    first, second = parse_circuit_list(GOOD.encode())
    assert (first.circuit, first.colour, first.size.mm2, first.length_mm, first.fuse_a) == (
        "L1",
        "RD/WH",
        0.5,
        1200,
        10,
    )
    assert first.ends() == (("X1", "1"), ("X2", "1"))
    assert (second.colour, second.size.awg, second.to_cavity) == ("BK", 18, None)
    assert (second.fuse_a, second.duty, second.circuit_class, second.line) == (None, None, None, 4)


@pytest.mark.parametrize(
    "changed",
    [
        GOOD.replace(",", ";"),
        "\ufeff" + GOOD,
        GOOD.replace("\n", "\r\n"),
        GOOD.replace("L1", '"L1"'),
        GOOD.replace(",", " , "),
    ],
    ids=["semicolons", "byte order mark", "carriage returns", "quotes", "blanks"],
)
def test_the_ways_spreadsheets_write_it_are_read_alike(changed):
    """Same circuits."""
    assert parse_circuit_list(changed.encode()) == parse_circuit_list(GOOD.encode())


def test_columns_may_come_in_any_order():
    """They are named."""
    reversed_lines = "\n".join(",".join(reversed(line.split(","))) for line in GOOD.splitlines())
    assert parse_circuit_list(reversed_lines.encode()) == parse_circuit_list(GOOD.encode())


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({"length_mm": "-5"}, "length_mm: expected above 0 and at most 100000 mm, got -5"),
        ({"length_mm": "long"}, "length_mm: expected a number of millimetres, got 'long'"),
        ({"length_mm": "nan"}, "length_mm: expected a number of millimetres, got 'nan'"),
        ({"colour": "RX"}, "got 'RX'"),
        ({"colour": "RD/RD"}, "got 'RD/RD'"),
        ({"size_mm2": "0.6"}, "size_mm2: expected 0.5 or 0.75 mm², got 0.6 mm², which is in no table"),
        ({"fuse_A": "12"}, "fuse_A: expected 10 or 15 A, got 12 A, which no blade fuse has"),
        ({"duty": "now and then"}, "duty: expected continuous, intermittent or nothing, got 'now and then'"),
        ({"class": "airbag"}, "class: expected none, restraint"),
        ({"from": ""}, "from: expected a value, got an empty field"),
        ({"to": "X1"}, "to_cavity: expected another cavity than the wire's own beginning, got X1 1"),
    ],
)
def test_each_mistake_says_what_was_expected(change, expected):
    """One line for one mistake, beginning with file and line."""
    (line,) = mistakes(listed(row(**change)))
    assert line.startswith("list.csv: line 2: ") and expected in line and "\n" not in line


def test_every_mistake_is_reported_at_once():
    """Three rows, five mistakes, in the order of the lines."""
    found = mistakes(
        listed(
            row(length_mm="-1", colour="??"),
            row(circuit="L2"),
            row(circuit="L1", size_mm2="9", **{"from": "X3", "to": "X4"}),
        )
    )
    assert [line.split(": ")[1] for line in found] == ["line 2", "line 2", "line 3", "line 3", "line 4", "line 4"]


def test_a_cavity_holds_one_wire():
    """Either end, whichever way round the wires are written; a splice without a cavity takes many."""
    (line,) = mistakes(listed(row(), row(circuit="L2", **{"from": "X2", "to": "X9"})))
    assert "line 3: from_cavity: expected a free cavity, got X2 cavity 1, taken on line 2" in line
    joint = {"to": "S1", "to_cavity": ""}
    assert len(parse_circuit_list(listed(row(**joint), row(circuit="L2", from_cavity="2", **joint)).encode())) == 2


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (b"", "got an empty file"),
        (b"\n \n", "got an empty file"),
        (b"\xef\xbb\xbf", "got an empty file"),
        ((",".join(COLUMNS) + "\n").encode(), "expected at least one circuit below the header"),
        (GOOD.encode("utf-16"), "line 1: expected text in UTF-8"),
        (GOOD.replace("L2", "L\xe9").encode("latin-1"), "line 4: expected text in UTF-8, got the byte 0xe9"),
        (b'"abc', "expected comma-separated values"),
        (GOOD.replace("fuse_A", "fuse").encode(), "got none named fuse_A"),
        (GOOD.replace("fuse_A", "duty").encode(), "got duty twice"),
        (GOOD.replace(",none", ",none,more").encode(), "line 2: expected 11 fields, got 'more' after the last"),
    ],
)
def test_what_is_no_circuit_list_is_said_to_be_none(text, expected):
    """Empty, wrong encoding, wrong columns, broken quoting."""
    assert any(expected in line for line in mistakes(text))


def test_a_file_that_is_not_there_is_one_line(tmp_path):
    """And one that is too large is not read."""
    with pytest.raises(CircuitListError, match="expected a readable CSV file"):
        read_circuit_list(tmp_path / "none.csv")
    (tmp_path / "big.csv").write_bytes(b"x" * 5_000_001)
    with pytest.raises(CircuitListError, match="below 5 MB"):
        read_circuit_list(tmp_path / "big.csv")
    (tmp_path / "good.csv").write_text(GOOD, "utf-8")
    assert len(read_circuit_list(tmp_path / "good.csv")) == 2


@settings(max_examples=200)
@given(
    st.binary(max_size=300)
    | st.text(alphabet='L1,;"\n\rRDX0.5-é', max_size=200).map(lambda t: (",".join(COLUMNS) + "\n" + t).encode())
)
def test_no_bytes_bring_anything_but_circuits_or_mistakes(data):
    """Whatever is in the file."""
    try:
        assert parse_circuit_list(data)
    except CircuitListError as error:
        assert error.mistakes and all("expected" in line for line in error.mistakes)


def test_both_rooms_know_the_same_circuit_classes():
    """What a list may state is what the rules refer."""
    assert CLASSES == CIRCUIT_CLASSES


@pytest.mark.parametrize(("written", "code"), [("rd/wh", "RD/WH"), (" BK ", "BK"), ("gnye", "GNYE"), ("Tan", "tan")])
def test_a_colour_is_read_in_its_usual_writing(written, code):
    """IEC 60757, stripes after a stroke; trade words in lower case."""
    assert colour_code(written) == code


def test_the_codes_are_the_standards_and_cover_what_is_seen():
    """IEC 60757: fourteen colours and green-yellow; every colour that tracing names can stand in a list."""
    codes = "BK BN RD OG YE GN BU VT GY WH PK GD TQ SR GNYE"
    assert set(IEC_60757) == set(codes.split())
    assert all(colour_code(seen) == seen for seen in REFERENCE_LAB)
    with pytest.raises(ColourError, match="RD or RD/WH"):
        colour_code("red")
