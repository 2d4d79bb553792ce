"""The command line: thin shells over the desk's functions, with one clear line for every mistake."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from desk.assess_shown import assess_and_show, complain
from desk.calculators import COMMANDS
from desk.errors import DeskError, one_line
from desk.inspection import inspect
from desk.learning.commands import COMMANDS as LEARNING
from desk.order import close, order
from desk.piped import PipedGroup, ReaderGone, output_has_reader, read_by_nobody
from desk.serve import backup, restore, serve
from desk.splice_tool import splice

if TYPE_CHECKING:
    from desk.assess import AssessSettings

# Whatever is slow to import (OpenCV, scikit-learn, rich) is imported inside the commands: --help must answer at once.

CIRCUIT_CLASSES = (
    "none",
    "restraint",
    "high_voltage",
    "brake_by_wire",
    "steering_by_wire",
    "shielded",
    "data_pair",
)
PAPERS = ("a4", "a3", "letter", "tabloid", "card")
_FILE = click.Path(path_type=Path)
_EXIT_MISTAKE, _EXIT_STOPPED = 2, 130


@click.group(cls=PipedGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="loomtriage")
def cli() -> None:
    """Triage of damaged automotive wiring assemblies from bench photographs.

    Exit status: 0 when every photograph was read (even if unusable), 2 when one could not be read or an argument is
    wrong, 130 when stopped by Ctrl-C.
    """


@cli.command()
@click.argument("photos", nargs=-1, required=True, type=_FILE, metavar="PHOTO|FOLDER...")
@click.option("--assembly", metavar="ID", help="All photographs show this one assembly: decide on them together.")
@click.option(
    "--circuit-class",
    type=click.Choice(CIRCUIT_CLASSES),
    help="Class of the circuits, asked at intake; without it nothing is ever returned to service.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object per line on standard output.")
@click.option("--report", type=_FILE, metavar="FILE", help="Write one self-contained HTML page.")
@click.option("--mm-per-px", type=float, metavar="X", help="Scale, where no mat or card lies in the picture.")
@click.option("--mat", "mats", type=_FILE, multiple=True, metavar="FILE", help="Layout file of another mat.")
@click.option("--check-bar-mm", metavar="X[,Y]", help="Measured length of the mat's check bars; two: along x, along y.")
@click.option("--rules", type=_FILE, metavar="FILE", help="Your limits (TOML) over the default ones.")
@click.option("--workers", type=click.IntRange(1, 64), metavar="N", help="Processes that assess; else by the cores.")
def assess(
    photos: tuple[Path, ...],
    assembly: str | None,
    circuit_class: str | None,
    as_json: bool,
    report: Path | None,
    mm_per_px: float | None,
    mats: tuple[Path, ...],
    check_bar_mm: str | None,
    rules: Path | None,
    workers: int | None,
) -> int:
    """Assess photographs: damage, extent in millimetres, route, open questions, repair actions."""
    if report is not None:
        from desk.files import check_writable

        check_writable(report, "--report")
    settings = _settings(mats, rules, circuit_class, mm_per_px, assembly, check_bar_mm)
    from desk.files import gather_photos

    paths, mistakes = gather_photos(photos)
    for mistake in mistakes:
        complain(mistake)
    if not paths:
        return _EXIT_MISTAKE
    run = assess_and_show(paths, settings, as_json, report, workers=workers)
    return 0 if run.all_read and not mistakes else _EXIT_MISTAKE


@cli.command()
@click.option("-o", "--out", type=_FILE, default=Path("demo"), show_default=True, metavar="DIR", help="Where to write.")
@click.option("--seed", type=click.IntRange(min=0), default=2, show_default=True, help="Other scenes for other seeds.")
def demo(out: Path, seed: int) -> int:
    """Make one photograph of each kind of damage, assess them, say which answers are right, and write the report."""
    settings = _settings((), None, "none", None, None)
    from desk.demo import SHOP, make_demo_photos
    from desk.files import check_writable, make_folder

    photos = out / "photos"
    make_folder(photos, "-o")
    report = out / "report.html"
    check_writable(report, "-o")
    from desk.console import progress

    with progress("making photographs") as step:
        paths = make_demo_photos(photos, seed, on_progress=step)
    run = assess_and_show(paths, settings, False, report, SHOP, with_truth=True)
    return 0 if run.all_read else _EXIT_MISTAKE


@cli.command()
@click.option("--paper", type=click.Choice(PAPERS), required=True, help="Page to print; card is a pocket scale.")
@click.option("--sheet", type=int, default=1, show_default=True, help="Sheets with other markers make one long mat.")
@click.option("-o", "--out", type=_FILE, required=True, metavar="FILE", help="FILE.pdf or FILE.png.")
def mat(paper: str, sheet: int, out: Path) -> int:
    """Write the bench mat at true scale, to be printed without fitting to the page."""
    from desk.files import check_writable

    check_writable(out, "-o")
    with _vision():
        from desk.matprint import MatPrintError, write_mat
    try:
        write_mat(paper, sheet, out)
    except MatPrintError as error:
        raise DeskError(one_line(error)) from error
    click.echo(f"Wrote {out}. Print it at 100 % (no fitting), then measure the check bars: each is 100.0 mm.")
    return 0


@cli.command()
@click.option("--count", type=click.IntRange(min=1), required=True, help="How many photographs.")
@click.option("--seed", type=click.IntRange(min=0), default=0, show_default=True, help="Same seed, same bytes.")
@click.option("-o", "--out", type=_FILE, required=True, metavar="DIR", help="Folder for photographs and truth files.")
@click.option("--width", type=int, metavar="PX", help="Width of the photographs.")
@click.option("--scenario", metavar="NAME", help="Only this kind of damage; without it all kinds in turn.")
def samples(count: int, seed: int, out: Path, width: int | None, scenario: str | None) -> int:
    """Make bench photographs whose truth is known, with their truth files."""
    from desk.files import make_folder

    with _vision():
        from desk.samples import make_samples
    make_folder(out, "-o")
    from desk.console import progress

    with progress("making photographs", total=count) as step:
        make_samples(out, count=count, seed=seed, width=width, scenario=scenario, on_progress=step)
    click.echo(f"Wrote {count} photograph{'' if count == 1 else 's'} with truth files to {out}.")
    return 0


@cli.command()
@click.argument("folder", type=_FILE)
@click.option("--json", "json_file", type=_FILE, metavar="FILE", help="Write every figure as JSON.")
@click.option("--report", type=_FILE, metavar="FILE", help="Write one self-contained HTML page.")
@click.option("--mat", "mats", type=_FILE, multiple=True, metavar="FILE", help="Layout file of another mat.")
@click.option("--rules", type=_FILE, metavar="FILE", help="Your limits (TOML) over the default ones.")
@click.option("--against", type=_FILE, metavar="FOLDER", help="Say which features look otherwise than in FOLDER.")
@click.option("--workers", type=click.IntRange(1, 64), metavar="N", help="Processes that assess; else by the cores.")
def evaluate(
    folder: Path,
    json_file: Path | None,
    report: Path | None,
    mats: tuple[Path, ...],
    rules: Path | None,
    against: Path | None,
    workers: int | None,
) -> int:
    """Hold the answers against truth files lying beside the photographs in FOLDER."""
    from desk.files import check_writable, write_whole

    for path, option in ((json_file, "--json"), (report, "--report")):
        if path is not None:
            check_writable(path, option)
    settings = _settings(mats, rules, "none", None, None)
    from desk.console import print_evaluation, print_shifts, progress
    from desk.evaluate import evaluate_folder, find_cases, not_known
    from desk.parallel import workers_for

    cases, mistakes = find_cases(folder)
    others, more = find_cases(against) if against is not None else ([], [])
    mistakes += more
    for mistake in mistakes:
        complain(mistake)
    if not cases or (against is not None and not others):
        return _EXIT_MISTAKE
    if strange := not_known({name for case in cases for name in case.truth.labels}):
        click.echo(f"Note: no answer can be right where the truth is {', '.join(strange)}: the model in use knows no "
                   "such label; mend the truth files if it is misspelt", err=True)  # fmt: skip
    with progress("assessing", total=len(cases)) as step:
        evaluation = evaluate_folder(folder, cases, settings, step, workers or workers_for(len(cases)))
    for case in evaluation.unread:
        complain(case.error or "")
    shifted = None
    try:  # first: who reads only the table's head takes the rest of the command away
        shifted = _shifted(cases, others, settings) if against is not None else None
        if json_file is not None:
            from desk.feature_shift import shifts_as_dict

            told = None if shifted is None or against is None else shifts_as_dict(shifted, against.name)
            write_whole(json_file, evaluation.to_json(told))
        if report is not None:
            from desk.evaluate_report import evaluation_html

            write_whole(report, evaluation_html(evaluation, shift=shifted, against=against.name if against else None))
            click.echo(f"Report: {report}", err=True)
    finally:  # what cannot be written, or is stopped, takes no answer away
        print_evaluation(evaluation)
    if shifted is not None:
        print_shifts(shifted)
    return _EXIT_MISTAKE if mistakes or evaluation.unread else 0


def _shifted(cases: Sequence[Any], others: Sequence[Any], settings: AssessSettings) -> list[Any]:
    """The features that look otherwise in the other folder, all of them."""
    from desk.assess import model_in_use
    from desk.console import progress
    from desk.feature_shift import gather, shifts

    finder = model_in_use().finder
    with progress("comparing features", total=len(cases) + len(others)) as step:
        here, there = (gather(part, settings.layouts, finder, on_progress=step) for part in (cases, others))
    return shifts(here, there)


for _command in (*COMMANDS, order, close, splice, inspect, serve, backup, restore, *LEARNING):
    cli.add_command(_command)


def _settings(
    mats: Sequence[Path],
    rules: Path | None,
    circuit_class: str | None,
    mm_per_px: float | None,
    assembly: str | None,
    check_bar_mm: str | None = None,
) -> AssessSettings:
    """Check and read everything the arguments name, before any work is done."""
    if mm_per_px is not None and not 0 < mm_per_px < 1000:
        raise DeskError(
            f"--mm-per-px: expected a number of millimetres above 0 and below 1000, got {mm_per_px:g}: "
            "divide a length you know by its pixels"
        )
    if assembly is not None and not assembly.strip():
        raise DeskError(
            "--assembly: expected an identifier, got an empty one: name the assembly or leave the option out"
        )
    with _vision():
        from desk.assess import AssessSettings, model_in_use
        from models.damage.card import ModelError
        from models.repair import Answers, RulesError, load_rules
        from vision.layout import LayoutError, builtin_layouts, load_layout
        from vision.print_scale import PrintScaleError, as_printed, read_check_bars
    try:
        layouts = [load_layout(path) for path in mats] or builtin_layouts()
        if check_bar_mm is not None:
            layouts = [as_printed(layout, read_check_bars(check_bar_mm)) for layout in layouts]
        limits = load_rules(rules)
    except PrintScaleError as error:
        raise DeskError(f"--check-bar-mm: {error}") from error
    except (LayoutError, RulesError) as error:
        raise DeskError(one_line(error)) from error
    answers = Answers(circuit_class=circuit_class)
    try:
        model_in_use()
    except ModelError as error:
        raise DeskError(f"model: {error}") from error
    return AssessSettings(tuple(layouts), limits, answers, mm_per_px=mm_per_px, assembly=assembly)


@contextmanager
def _vision() -> Iterator[None]:
    """Around imports that load OpenCV: name the Debian packages when a system library is missing; one thread."""
    try:
        import cv2

        cv2.setNumThreads(1)
        yield
    except ImportError as error:
        if any(name in str(error) for name in ("libGL", "libgthread", "libglib", "libxcb")):
            raise DeskError(
                f"OpenCV expected the system's graphics libraries, got {error}: "
                "on Debian run apt-get install libgl1 libglib2.0-0 libxcb1"
            ) from error
        raise


def _usage_line(error: click.ClickException) -> str:
    """Click's message as one line that names the command to ask for help."""
    context = getattr(error, "ctx", None)
    command = context.command_path if context is not None else "loomtriage"
    message = re.sub(r"Choose from:\s+", "Choose from: ", error.format_message())  # click lists them line by line
    message = re.sub(r",\n\s+", ", ", message)
    return f"{one_line(click.ClickException(message)).rstrip('.')}. Try: {command} --help"


def run(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit status; ReaderGone where nobody reads standard output any more."""
    try:
        status = cli.main(args=arguments, prog_name="loomtriage", standalone_mode=False)
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message())
        return _EXIT_MISTAKE
    except click.ClickException as error:
        complain(_usage_line(error))
        return _EXIT_MISTAKE
    except DeskError as error:
        complain(one_line(error))
        return _EXIT_MISTAKE
    except (click.Abort, KeyboardInterrupt):
        complain("stopped by Ctrl-C; answers above stand, no file was left half-written")
        return _EXIT_STOPPED
    return status if isinstance(status, int) else 0


def main() -> None:
    """Console entry point."""
    try:
        status = run()
        sys.stdout.flush()
    except (ReaderGone, BrokenPipeError) as error:  # the reader of our output went away (`| head`): nothing is wrong
        if isinstance(error, BrokenPipeError) and output_has_reader():
            raise
        read_by_nobody()
        status = 0
    sys.exit(status)


if __name__ == "__main__":
    main()
