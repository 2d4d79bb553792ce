"""The command line: every mistake is one clear line, the other photographs are answered, nothing is half-written."""

import json
import struct
import subprocess
import sys
import zlib

import pytest

from desk import cli
from vision.findings import AssemblyFindings, PhotoFindings


def run(capsys, *arguments):
    """Exit status, standard output, lines on standard error."""
    status = cli.run([str(a) for a in arguments])
    captured = capsys.readouterr()
    return status, captured.out, captured.err.splitlines()


def huge_png(path, side):
    """A PNG whose header promises side x side pixels."""
    header = struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0)
    chunks = [(b"IHDR", header), (b"IDAT", zlib.compress(b"\0" * 100)), (b"IEND", b"")]
    body = b"".join(struct.pack(">I", len(d)) + k + d + struct.pack(">I", zlib.crc32(k + d)) for k, d in chunks)
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + body)


def bad_photos(folder, good):
    """One of each photograph that cannot be read, by name."""
    (folder / "text.jpg").write_text("not a picture")
    (folder / "empty.jpg").write_bytes(b"")
    whole = good.read_bytes()
    (folder / "cut.jpg").write_bytes(whole[: len(whole) // 2])
    huge_png(folder / "huge.png", 40_000)
    return [folder / name for name in ("text.jpg", "empty.jpg", "cut.jpg", "huge.png")]


def test_photographs_that_cannot_be_read_do_not_stop_the_others(bench, perfect_eye, capsys):
    """Text named .jpg, empty, truncated, 40 000 x 40 000 px: one line each with what to do; the good one answered."""
    good = bench / "fused.jpg"
    status, out, errors = run(capsys, "assess", *bad_photos(bench, good), good, bench / "absent.jpg", "--json")
    assert status == 2
    assert [json.loads(line)["photo"]["name"] for line in out.splitlines()] == ["fused.jpg"]
    assert len(errors) == 5
    assert all("expected" in line and "got" in line and ";" in line for line in errors)


def test_every_photograph_read_means_exit_status_zero(bench, perfect_eye, capsys):
    """JSON lines follow the contract: they load back into the findings, each with its own decision."""
    status, out, errors = run(capsys, "assess", bench, "--json", "--circuit-class", "none")
    photos = [PhotoFindings.model_validate_json(line) for line in out.splitlines()]
    assert (status, errors) == (0, [])
    assert [p.photo.name for p in photos] == ["bitten.jpg", "fused.jpg", "whole.jpg"]
    routes = {p.photo.name: p.decision.route for p in photos}
    assert routes["fused.jpg"] == "remanufacture"
    assert all(json.loads(line)["schema"] == "1" for line in out.splitlines())


def test_an_assembly_is_decided_once_for_all_its_photographs(bench, perfect_eye, capsys):
    """Photographs carry no decision of their own, and one assembly object follows with all regions."""
    _, out, _ = run(capsys, "assess", bench, "--json", "--assembly", "A-17", "--circuit-class", "none")
    *photos, last = out.splitlines()
    assert all(json.loads(line)["decision"] is None for line in photos)
    assembly = AssemblyFindings.model_validate_json(last)
    assert (assembly.assembly, len(assembly.photos), len(assembly.regions)) == ("A-17", 3, 2)
    assert assembly.decision.route == "remanufacture"


def test_a_photograph_given_twice_counts_once(bench, perfect_eye, capsys, tmp_path):
    """The folder and a file in it, and a copy under another name: one picture, one vote."""
    copy = tmp_path / "copy.jpg"
    copy.write_bytes((bench / "bitten.jpg").read_bytes())
    copy.with_suffix(".json").write_bytes((bench / "bitten.json").read_bytes())
    _, out, _ = run(capsys, "assess", bench, bench / "bitten.jpg", copy, "--json", "--assembly", "A")
    lines = [json.loads(line) for line in out.splitlines()]
    assert [line["kind"] for line in lines] == ["photo"] * 4 + ["assembly"]
    assert len(lines[-1]["photos"]) == 3


def test_without_circuit_class_nothing_goes_back_to_service(bench, perfect_eye, capsys):
    """The class is asked at intake and never assumed."""
    _, out, _ = run(capsys, "assess", bench / "whole.jpg", "--json")
    decision = json.loads(out)["decision"]
    assert decision["route"] != "return_to_service"
    assert any(q["changes"].startswith("circuit-class") for q in decision["open_questions"])


def test_a_folder_without_photographs_is_named(bench, perfect_eye, capsys, tmp_path):
    """The empty folder gets its line, the photograph beside it its answer."""
    empty = tmp_path / "none"
    empty.mkdir()
    status, out, errors = run(capsys, "assess", empty, bench / "whole.jpg", "--json")
    assert (status, len(out.splitlines()), len(errors)) == (2, 1, 1)
    assert str(empty) in errors[0]


@pytest.mark.parametrize("value", ["0", "99;99", "9.92", "1,2,3", "ruler"])
def test_check_bars_that_cannot_be_are_refused(bench, capsys, value):
    """--check-bar-mm with nonsense or centimetres: one line that names the option, no answer."""
    status, out, errors = run(capsys, "assess", bench / "whole.jpg", f"--check-bar-mm={value}", "--json")
    assert (status, out, len(errors)) == (2, "", 1)
    assert "--check-bar-mm" in errors[0] and "got" in errors[0]


@pytest.mark.parametrize("value", ["0", "-0.2", "nan", "inf", "wide"])
def test_a_scale_that_is_no_length_is_refused_before_any_work(bench, capsys, value):
    """--mm-per-px 0 and its like: one line, no answer."""
    status, out, errors = run(capsys, "assess", bench / "whole.jpg", f"--mm-per-px={value}", "--json")
    assert (status, out, len(errors)) == (2, "", 1)
    assert "--mm-per-px" in errors[0]


def test_a_report_that_cannot_be_written_is_refused_before_any_work(bench, capsys, tmp_path):
    """A missing folder, and a folder in place of the file."""
    for place in (tmp_path / "absent" / "out.html", tmp_path):
        status, out, errors = run(capsys, "assess", bench / "whole.jpg", "--report", place, "--json")
        assert (status, out, len(errors)) == (2, "", 1)
        assert str(tmp_path) in errors[0]


def test_a_layout_with_two_markers_of_one_id_is_refused(bench, capsys, tmp_path):
    """One line that names the id."""
    marker = {"dictionary": "DICT_4X4_50", "id": 3, "side_mm": 20}
    layout = {
        "schema": "mat-layout/1",
        "name": "twice",
        "kind": "mat",
        "page_mm": [297, 210],
        "background_srgb": [250, 250, 250],
        "markers": [marker | {"centre_mm": [30, 30]}, marker | {"centre_mm": [200, 30]}],
    }
    file = tmp_path / "twice.json"
    file.write_text(json.dumps(layout))
    status, out, errors = run(capsys, "assess", bench / "whole.jpg", "--mat", file, "--json")
    assert (status, out, len(errors)) == (2, "", 1)
    assert "3" in errors[0]


def test_all_three_mistakes_of_a_rules_file_are_reported(bench, capsys, tmp_path):
    """On one line, each with its key."""
    file = tmp_path / "my.toml"
    file.write_text(
        '[termination-distance]\nmin_mm = "far"\n[wire-count]\nmax_wires = -1\n[splice-spacing]\nminimum = 3\n'
    )
    status, out, errors = run(capsys, "assess", bench / "whole.jpg", "--rules", file, "--json")
    assert (status, out, len(errors)) == (2, "", 1)
    for key in ("termination-distance.min_mm", "wire-count.max_wires", "splice-spacing.minimum"):
        assert key in errors[0]


def test_a_shops_rules_change_the_decision(bench, perfect_eye, capsys, tmp_path):
    """One bitten wire is too many for a shop that allows none."""
    file = tmp_path / "my.toml"
    file.write_text("[wire-count]\nmax_wires = 0\n")
    arguments = ("assess", bench / "bitten.jpg", "--json", "--circuit-class", "none")
    verdicts = []
    for more in ((), ("--rules", file)):
        _, out, _ = run(capsys, *arguments, *more)
        decision = json.loads(out)["decision"]
        verdicts.append((decision["route"], {r["id"]: r["verdict"] for r in decision["rules"]}["wire-count"]))
    assert verdicts == [("undecided", "met"), ("remanufacture", "violated")]


def test_ctrl_c_leaves_no_report_behind(bench, monkeypatch, capsys, tmp_path):
    """One line, status 130, and no file, whole or half."""

    def stop(path, settings):
        raise KeyboardInterrupt

    monkeypatch.setattr("desk.assess.assess_photo", stop, raising=False)
    out = tmp_path / "out"
    out.mkdir()
    status, _, errors = run(capsys, "assess", bench, "--report", out / "r.html")
    assert status == 130
    assert len([line for line in errors if "Ctrl-C" in line]) == 1
    assert list(out.iterdir()) == []


def test_a_missing_system_library_names_the_debian_packages(bench, monkeypatch, capsys):
    """What OpenCV says on a bare machine, and what to install."""
    monkeypatch.setitem(sys.modules, "cv2", None)

    class Missing:
        def find_spec(self, name, path=None, target=None):
            if name == "cv2":
                raise ImportError("libGL.so.1: cannot open shared object file: No such file or directory")

    monkeypatch.delitem(sys.modules, "cv2")
    monkeypatch.setattr(sys, "meta_path", [Missing(), *sys.meta_path])
    status, _, errors = run(capsys, "assess", bench)
    assert (status, len(errors)) == (2, 1)
    assert all(name in errors[0] for name in ("libgl1", "libglib2.0-0", "libxcb1"))


@pytest.mark.parametrize(
    "arguments",
    [["assess"], ["assess", "x.jpg", "--circuit-class", "odd"], ["mat", "--paper", "b7", "-o", "x.pdf"], ["weave"]],
)
def test_wrong_arguments_get_one_line_and_status_two(capsys, arguments):
    """The line names the command to ask for help."""
    status, out, errors = run(capsys, *arguments)
    assert (status, out, len(errors)) == (2, "", 1)
    assert "--help" in errors[0]


def test_a_missing_choice_is_one_readable_line(capsys):
    """What may be chosen is listed with commas, and the hint is a sentence of its own."""
    _, _, errors = run(capsys, "mat", "-o", "x.pdf")
    assert errors[0].endswith("Choose from: a4, a3, letter, tabloid, card. Try: loomtriage mat --help")


def test_circuit_classes_are_those_of_the_rules():
    """The list is written out in the command line so that --help need not load the rules."""
    from models.repair import CIRCUIT_CLASSES

    assert cli.CIRCUIT_CLASSES == CIRCUIT_CLASSES


def test_help_loads_nothing_heavy():
    """`--help` in a fresh interpreter imports neither OpenCV nor numpy nor scikit-learn."""
    code = (
        "import sys; from desk import cli; status = cli.run(['assess', '--help']); "
        "print(status, [m for m in ('cv2', 'numpy', 'sklearn', 'pydantic', 'rich') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "0 []"


@pytest.mark.parametrize(("paper", "name"), [("a4", "mat.pdf"), ("card", "card.png")])
def test_a_mat_is_written_and_the_check_bars_named(capsys, tmp_path, paper, name):
    """As PDF or PNG by the file's name; the person is told what to measure."""
    status, out, errors = run(capsys, "mat", "--paper", paper, "-o", tmp_path / name)
    assert (status, errors) == (0, [])
    assert (tmp_path / name).read_bytes()[:4] in (b"%PDF", b"\x89PNG")
    assert "100.0 mm" in out


@pytest.mark.parametrize("arguments", [["-o", "mat.txt"], ["-o", "mat.pdf", "--sheet", "99"]])
def test_a_mat_that_cannot_be_made_is_one_line(capsys, tmp_path, monkeypatch, arguments):
    """A wrong suffix, a sheet that does not exist; nothing is written."""
    monkeypatch.chdir(tmp_path)
    status, out, errors = run(capsys, "mat", "--paper", "a4", *arguments)
    assert (status, out, len(errors)) == (2, "", 1)
    assert list(tmp_path.iterdir()) == []


def test_retraining_without_a_source_is_refused(capsys):
    """The line says which option is missing."""
    status, _, errors = run(capsys, "retrain")
    assert (status, len(errors)) == (2, 1)
    assert "--from-samples" in errors[0]
