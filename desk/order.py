"""The commands `order` and `close`: a printed work order, and its closing with photographs of the repair."""

from __future__ import annotations

import json
from pathlib import Path

import click

from desk.errors import DeskError, one_line

# Slow imports wait inside the commands: --help must answer at once.
_FILE = click.Path(path_type=Path)


@click.command()
@click.argument("assessment", type=_FILE, metavar="ASSESSMENT.json")
@click.option("-o", "--out", type=_FILE, metavar="FILE.pdf", help="Where to write the printed order.")
@click.option("--circuits", type=_FILE, metavar="CSV", help="The assembly's circuit list.")
@click.option("--bench", type=_FILE, metavar="TOML", help="What was measured with the ruler at the bench.")
@click.option("--answers", type=_FILE, metavar="TOML", help="Answers to the open questions: decide anew with them.")
@click.option(
    "--ask", type=_FILE, metavar="TOML", help="Write the open questions to fill in for --answers, bench notes beside."
)
@click.option("--prices", type=_FILE, metavar="TOML", help="Your times and prices over the example ones.")
@click.option("--rules", type=_FILE, metavar="TOML", help="Your limits over the default ones.")
@click.option("--photos", type=_FILE, metavar="FOLDER", help="Where the photographs lie; default: beside ASSESSMENT.")
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True)
@click.option("--json", "as_json", is_flag=True, help="The order as one JSON object on standard output.")
def order(
    assessment: Path,
    out: Path | None,
    circuits: Path | None,
    bench: Path | None,
    answers: Path | None,
    ask: Path | None,
    prices: Path | None,
    rules: Path | None,
    photos: Path | None,
    paper: str,
    as_json: bool,
) -> int:
    """The work order of one assessed assembly: computed plan, parts, pin map, tests, prices; on screen without -o."""
    from desk.files import check_writable, write_whole
    from desk.order_make import decided_anew, find_photos, make_order, read_answers, read_assessment, read_sources
    from models.repair import Answers

    if out is not None:
        _for_paper(out)
        check_writable(out, "-o")
    if ask is not None:
        check_writable(ask, "--ask")
        _new(ask)
    sources = read_sources(rules, prices, circuits, bench)
    assessed = read_assessment(assessment)
    told = read_answers(answers) if answers is not None else None
    if told is not None or (sources.notes and sources.notes.wire):
        assessed = decided_anew(assessed, told or Answers(), sources)
    files = find_photos(assessed, assessment, photos)
    made = make_order(assessed, sources, files, answers=told)
    if ask is not None:
        from desk.answers_file import answers_template
        from desk.bench_file import bench_template, unnamed_housings, wants_bench

        measures = wants_bench(made) and not (sources.notes and sources.notes.wire)
        measures = measures or (bool(unnamed_housings(made)) and sources.notes is None)
        if measures:
            _new(_bench_of(ask))
        decided = [question for question in made.asked() if question in made.decision.open_questions]
        known = {question.ask for question in decided}
        others = [question for question in made.asked() if question.ask not in known]
        write_whole(ask, answers_template(made.assembly, decided, sources.rules, told, others, assessed.photos))
        what = f"fill in, then --answers {ask}" if decided else "no question is open that an answers file closes"
        click.echo(f"Questions: {ask} ({what})", err=True)
        if measures:
            write_whole(_bench_of(ask), bench_template(made, assessed.photos))
            click.echo(f"Bench notes: {_bench_of(ask)} (fill in, then --bench {_bench_of(ask)})", err=True)
    if out is not None:
        from desk.order_pages import order_pdf

        write_whole(out, order_pdf(made, assessed.photos, files, paper))
        click.echo(f"Order: {out}", err=True)
    for name in made.photos_not_found:
        said = f"{' '.join(name.split())}: photograph not found, the order says so; name its folder with --photos"
        click.echo(f"loomtriage: {said}", err=True)
    if as_json:
        click.echo(made.model_dump_json(by_alias=True))
    elif out is None:
        from desk.order_text import order_lines

        click.echo("\n".join(order_lines(made, sources.rules, assessed.photos)))
    return 0


def _for_paper(path: Path) -> None:
    """Refuse a name by which nothing would open what is written there."""
    if path.suffix.lower() != ".pdf":
        raise DeskError(f"-o: expected a file ending in .pdf, got {path}: it is printed")


def _new(path: Path) -> None:
    """Refuse to write over a file that somebody may have filled in."""
    if path.exists():
        raise DeskError(f"--ask: expected a new file, got {path}: answers in it would be lost; name another")


def _bench_of(ask: Path) -> Path:
    """Where the bench notes are written that lie beside a file of questions."""
    return ask.with_name(f"{ask.stem}-bench.toml")


@click.command()
@click.argument("order_file", type=_FILE, metavar="ORDER.json")
@click.argument("assessment", type=_FILE, metavar="ASSESSMENT.json")
@click.option("--answers", type=_FILE, metavar="TOML", help="What was measured or looked at on the finished repair.")
@click.option("--joints", type=click.IntRange(min=0), metavar="N", help="Joints counted by hand.")
@click.option("--ruler-checked", is_flag=True, help="Joints that no photograph shows were measured and are lawful.")
@click.option("--rules", type=_FILE, metavar="TOML", help="Your limits over the default ones.")
@click.option("-o", "--out", type=_FILE, metavar="FILE.pdf", help="Write the closing sheet, to be signed.")
@click.option("--photos", type=_FILE, metavar="FOLDER", help="Where the photographs lie; default: beside ASSESSMENT.")
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True)
@click.option("--json", "as_json", is_flag=True, help="The outcome as one JSON object on standard output.")
def close(
    order_file: Path,
    assessment: Path,
    answers: Path | None,
    joints: int | None,
    ruler_checked: bool,
    rules: Path | None,
    out: Path | None,
    photos: Path | None,
    paper: str,
    as_json: bool,
) -> int:
    """Close an order with an assessment of photographs of the repaired assembly; says what is not met."""
    from desk.files import check_writable, write_whole
    from desk.order_make import find_photos, read_answers, read_assessment, read_sources
    from desk.order_model import read_order
    from models.repair import AnswersError
    from models.repair.after import close_order
    from models.repair.case import seen_as_answered

    if out is not None:
        _for_paper(out)
        check_writable(out, "-o")
    sources = read_sources(rules, None, None, None)
    told = read_answers(answers)
    before, after = read_order(order_file), read_assessment(assessment)
    if after.named and after.assembly != before.assembly:
        raise DeskError(
            f"{assessment}: expected photographs of assembly {before.assembly}, got those of {after.assembly}: "
            f"assess them with --assembly {before.assembly}"
        )
    same = {p.sha256 for p in before.photos} & {p.photo.sha256 for p in after.photos}
    if same:
        raise DeskError(f"{assessment}: expected photographs of the finished repair, got one of the order itself")
    try:
        outcome = close_order(before.work, after.photos, told, sources.rules, joints, ruler_checked)
        shown = seen_as_answered(after.photos, told, sources.rules)
    except AnswersError as error:
        raise DeskError(f"--answers: {one_line(error)}") from error
    if out is not None:
        from desk.closing_pages import closing_pdf
        from desk.order_answers import answers_given

        files = find_photos(after, assessment, photos)
        write_whole(out, closing_pdf(before, outcome, shown, files, paper, answers=answers_given(told)))
        click.echo(f"Closing sheet: {out}", err=True)
    if as_json:
        head = {"kind": "closing", "schema": "1", "assembly": before.assembly}
        click.echo(json.dumps(head | outcome.model_dump(mode="json"), ensure_ascii=False))
        return 0
    from desk.wording import CLOSING_WORDS

    click.echo(f"Order of assembly {before.assembly}: {CLOSING_WORDS[outcome.state]}.")
    said = {"met": "met", "violated": "NOT MET", "cannot_tell": "cannot tell", "not_applicable": "-"}
    for check in outcome.checks:
        click.echo(f"  {said[check.verdict]:<12} {check.title or check.what}: {check.says}")
        if check.settle:
            click.echo(f"  {'':<12} to settle it: {check.settle}")
    return 0
