"""The shape of the house: imports walk one way, and the top level holds only what was agreed."""

import ast
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = ("vision", "models", "desk", "sample_images")
MAY_IMPORT = {
    "vision": {"vision"},
    "models": {"models", "vision.findings"},
    "desk": {"desk", "models", "vision", "sample_images"},
    "sample_images": {"sample_images", "vision.layout", "vision.layout_raster", "vision.findings"},
}
TOP_LEVEL = {
    *PACKAGES,
    "tests",
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "LICENSE",
    "CHANGELOG.md",
    "constraints.txt",
}


def imported(source: str, module: str, is_package: bool) -> set[str]:
    """Full names of everything a module imports, `from a import b` as both `a` and `a.b`; relative imports resolved."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                parts = module.split(".")[: None if is_package and node.level == 1 else -(node.level - is_package)]
                base = ".".join([*parts, *([node.module] if node.module else [])])
            names |= {f"{base}.{alias.name}" for alias in node.names}
    return names


def trespasses(package: str, source: str, module: str, is_package: bool = False) -> set[str]:
    """Imports of the project's own packages that this package may not make."""
    allowed = MAY_IMPORT[package]
    own = {name for name in imported(source, module, is_package) if name.split(".")[0] in PACKAGES}
    return {name for name in own if not any(name == ok or name.startswith(ok + ".") for ok in allowed)}


def python_files() -> list[tuple[str, Path]]:
    return [(package, path) for package in PACKAGES for path in sorted((ROOT / package).rglob("*.py"))]


@pytest.mark.parametrize("package", PACKAGES)
def test_imports_walk_one_way(package):
    """vision knows nobody, models know the findings, desk knows all, and nobody knows desk."""
    found = {}
    for owner, path in python_files():
        if owner == package:
            module = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
            wrong = trespasses(package, path.read_text("utf-8"), module, path.name == "__init__.py")
            if wrong:
                found[str(path.relative_to(ROOT))] = wrong
    assert found == {}


@pytest.mark.parametrize(
    ("package", "source"),
    [
        ("vision", "import models.repair"),
        ("vision", "def f():\n    from desk import cli"),
        ("models", "from vision import mat"),
        ("models", "from vision.mat import find_mat"),
        ("models", "import vision"),
        ("models", "from ..vision import lens"),
        ("sample_images", "from vision.quality import judge_quality"),
        ("sample_images", "import desk"),
    ],
)
def test_a_forbidden_import_is_noticed(package, source):
    """The check itself can fail: late, relative and whole-package imports are seen."""
    assert trespasses(package, source, f"{package}.room.shelf".replace("models.room.shelf", "models.shelf"))


@pytest.mark.parametrize(
    ("package", "source"),
    [
        ("models", "from vision.findings import Region"),
        ("models", "from vision import findings"),
        ("models", "from . import words"),
        ("sample_images", "from vision.layout import load_layout"),
        ("desk", "import vision.mat, models.repair, numpy"),
        ("vision", "import modelsim, desktop"),
    ],
)
def test_a_lawful_import_passes(package, source):
    """Findings, layouts and foreign packages of similar name are no trespass."""
    assert not trespasses(package, source, f"{package}.shelf")


def test_the_top_level_holds_only_what_was_agreed():
    """Everything under version control lies in an agreed place; dot files are free."""
    listing = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    tracked = listing.stdout.splitlines() if listing.returncode == 0 else [p.name for p in ROOT.iterdir()]
    names = {line.split("/")[0].strip('"') for line in tracked}
    assert {name for name in names if not name.startswith(".")} - TOP_LEVEL == set()
    assert set(PACKAGES) <= names
