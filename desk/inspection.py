"""The command `inspect`: every intermediate picture of one photograph, with an index page."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from desk.errors import DeskError, one_line

if TYPE_CHECKING:
    from desk.inspection_pictures import Step
    from vision.layout import MatLayout

_FILE = click.Path(path_type=Path)


@click.command()
@click.argument("photo", type=_FILE)
@click.option("-o", "--out", type=_FILE, required=True, metavar="DIR", help="Folder for the pictures and index.html.")
@click.option("--feature", "features", multiple=True, metavar="NAME", help="Draw this feature; may be given again.")
@click.option("--mm-per-px", type=float, metavar="X", help="Scale, where no mat or card lies in the picture.")
@click.option("--mat", "mats", type=_FILE, multiple=True, metavar="FILE", help="Layout file of another mat.")
def inspect(photo: Path, out: Path, features: tuple[str, ...], mm_per_px: float | None, mats: tuple[Path, ...]) -> int:
    """Write what was seen on the way to the answer: mat, mask, parts, traces, heat maps."""
    import cv2

    from desk.files import make_folder, write_whole
    from vision.layout import LayoutError, builtin_layouts, load_layout
    from vision.reading import PhotoError

    cv2.setNumThreads(1)
    if mm_per_px is not None and not 0 < mm_per_px < 1000:
        raise DeskError(f"--mm-per-px: expected millimetres above 0 and below 1000, got {mm_per_px:g}: measure again")
    make_folder(out, "-o")
    try:
        layouts = [load_layout(path) for path in mats] or builtin_layouts()
        written = [_written(step, out) for step in steps(photo, layouts, features, mm_per_px)]
    except (PhotoError, LayoutError) as error:
        raise DeskError(one_line(error)) from error
    write_whole(out / "index.html", index_html(photo.name, written))
    click.echo(f"Wrote {len(written)} pictures; open {out / 'index.html'}.")
    return 0


def steps(
    path: Path, layouts: Sequence[MatLayout], features: Sequence[str], mm_per_px: float | None = None
) -> Iterator[Step]:
    """Every picture in the order of seeing; without an assembly only the first ones."""
    from desk.assess import model_in_use
    from desk.inspection_pictures import FEATURES, first_steps, heat_steps, recognised_steps
    from desk.recognition import recognised
    from vision.reading import read_photo
    from vision.sight import first_look
    from vision.wires import trace_wires

    look = first_look(read_photo(path), layouts, mm_per_px)
    finder = scene = None
    if len(look.cells.xy):
        finder = model_in_use().finder
        look, scene = recognised(look, finder)
    chosen = features or FEATURES
    unknown = [name for name in chosen if name not in look.cells.names] if len(look.cells.xy) else []
    if unknown:
        raise DeskError(
            f"--feature: expected names of cell features, got {', '.join(unknown)}: "
            f"choose of {', '.join(look.cells.names)}"
        )
    yield from first_steps(look)
    if finder is None or scene is None:
        return
    yield from recognised_steps(look, scene, trace_wires(look, scene))
    yield from heat_steps(look, scene, finder.classes, chosen)


def _written(step: Step, folder: Path) -> tuple[str, str]:
    """File name and sentence of a picture that is on the disk now."""
    import cv2

    from desk.files import write_whole

    done, data = cv2.imencode(".png", step.bgr)
    if not done:
        raise DeskError(f"{step.name}: expected a picture OpenCV can encode, got shape {step.bgr.shape}: report it")
    write_whole(folder / f"{step.name}.png", data.tobytes())
    return f"{step.name}.png", step.says


def index_html(photo: str, pictures: Iterable[tuple[str, str]]) -> str:
    """The page that shows all pictures with their sentences."""
    from desk.report import environment

    return environment().get_template("inspection.html.j2").render(photo=photo, pictures=list(pictures))
