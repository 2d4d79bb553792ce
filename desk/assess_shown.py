"""Assesses the photographs of one command: answers as they come, then the report, then the table."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from desk.errors import DeskError, one_line
from desk.piped import read_by_nobody

if TYPE_CHECKING:
    from desk.assess import AssessSettings
    from desk.batch import Entry, Run
    from desk.demo_truth import Told


def complain(text: str) -> None:
    """One line on standard error."""
    click.echo(f"loomtriage: {text}", err=True)


def assess_and_show(
    paths: list[Path],
    settings: AssessSettings,
    as_json: bool,
    report: Path | None,
    title: str | None = None,
    with_truth: bool = False,
    workers: int | None = None,
) -> Run:
    """Run the loop with a progress bar on stderr; JSON lines and error lines appear as each photograph is done.

    Photographs of one assembly tell more together: their lines come when all are done. The report is written before the
    table is printed: who reads only the table's head takes the rest of the command away. with_truth : say what was
    really there, by the truth files beside the photographs, and begin with the answers that are right. workers :
    processes that assess, None for as many as are worth starting.
    """
    from desk.batch import assess_all
    from desk.console import progress
    from desk.parallel import workers_for

    with progress("assessing", total=len(paths)) as step:

        def show(entry: Entry) -> None:
            if entry.error is not None:
                complain(entry.error)
            elif as_json and entry.findings is not None and settings.assembly is None:
                try:
                    click.echo(entry.findings.model_dump_json(by_alias=True))
                except BrokenPipeError:
                    if report is None:
                        raise
                    read_by_nobody()  # the report is still waited for
            step()

        run = assess_all(paths, settings, show, workers or workers_for(len(paths)))
    told: Mapping[str, Told] = {}
    if with_truth:
        from desk.demo_truth import tell_run

        run, told = tell_run(run, settings.answers, settings.rules)
    try:
        if report is not None:
            _write_report(run, report, title, told)
    except BaseException:  # a report that cannot be written takes no answer away
        try:
            _print_answers(run, as_json, told)
        except BrokenPipeError:  # nor does a reader that went away hide why there is none
            read_by_nobody()
        raise
    _print_answers(run, as_json, told)
    return run


def _print_answers(run: Run, as_json: bool, told: Mapping[str, Told]) -> None:
    """What is still to be said when all photographs are done: the table, or the lines of an assembly."""
    from desk.console import print_run

    if not as_json:
        print_run(run, told)
    elif run.assembly is not None:
        for entry in run.entries:
            if entry.findings is not None:
                click.echo(entry.findings.model_dump_json(by_alias=True))
        click.echo(run.assembly.model_dump_json(by_alias=True))


def _write_report(run: Run, report: Path, title: str | None, told: Mapping[str, Told]) -> None:
    from desk.files import write_whole
    from desk.report import report_html
    from vision.reading import PhotoError

    try:
        page = report_html(run, title, None, told)
    except PhotoError as error:  # a photograph was taken away while the others were assessed
        raise DeskError(f"--report: {one_line(error)}") from error
    write_whole(report, page)
    click.echo(f"Report: {report}", err=True)
