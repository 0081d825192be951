"""The shape of the project: which part may import which, who may print, what lies at the top level."""

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import kitproof

PACKAGE = Path(kitproof.__file__).parent
REPOSITORY = PACKAGE.parents[1]

BASICS = frozenset({"units", "errors", "model", "observed", "reasons", "remarks", "roles", "wholefile"})
# part of the package -> what else of the package it may import ("ingest" allows all of ingest)
ALLOWED: dict[str, frozenset[str]] = {
    "units": BASICS,
    "errors": BASICS,
    "model": BASICS,
    "observed": frozenset({"reasons"}),
    "reasons": frozenset(),
    "remarks": frozenset(),
    "wholefile": frozenset({"errors"}),
    "roles": BASICS,
    "ingest": BASICS,
    "measure": BASICS | {"ingest.audiofile"},  # only to read blocks of samples
    "find": BASICS,
    "plain": frozenset({"errors"}),
    "comparison": frozenset({"reasons"}),  # records, as model and observed are
    "compare": BASICS | {"comparison"},  # takes held against one another: no audio, no report
    "saved": frozenset({"model", "observed", "comparison", "errors", "plain", "wholefile"}),
    "report": frozenset(
        {"model", "observed", "comparison", "reasons", "remarks", "roles", "units", "errors", "wholefile"}
    ),  # never touches audio
    "demo": BASICS,  # the truth it is built from must not come from what measures it
    "assemble": BASICS | {"measure"},  # puts measures into the records that are saved
    "caching": BASICS,
    "cache": BASICS | {"caching", "ingest.audiofile"},
    "scanning": BASICS | {"ingest", "measure", "cache"},
    "comparing": BASICS | {"measure", "scanning"},
    "ranging": BASICS | {"measure"},
    "evidence": BASICS | {"ingest.audiofile"},  # the last look at the samples: pictures for the report
    "versions": frozenset(),
    "struck": BASICS | {"measure", "scanning", "ranging"},
    "stages": BASICS
    | {"cache", "evidence", "ingest", "measure", "scanning", "comparing", "struck", "assemble", "find", "versions"},
    "run": BASICS | {"cache", "ingest", "find", "stages", "versions"},
    "deliver": BASICS | {"cache", "run", "ingest", "saved", "comparison", "report", "demo"},
    "watch": BASICS | {"ingest", "saved", "run", "deliver"},  # only its measuring process runs anything
    "mail": BASICS
    | {"saved", "report.write_report", "report.PageSize", "report.PAGES"},  # may have to write a smaller PDF
    "gate": BASICS | {"saved"},
    "pack": BASICS
    | {"ingest.audiofile", "measure.truepeak", "saved", "report.bars", "report.write_report", "report.PageSize"},
    "commands": BASICS | {"run", "compare", "deliver", "saved", "watch", "mail", "gate", "pack"},
    "cli": BASICS | {"run", "deliver", "commands"},
    "__main__": frozenset({"cli"}),
    "__init__": frozenset(),
}
# library -> the parts that may import it; what is not here, any part may
LIBRARIES: dict[str, frozenset[str]] = {
    "soundfile": frozenset({"ingest", "demo", "cache", "pack"}),
    "pyloudnorm": frozenset({"measure"}),
    "matplotlib": frozenset({"report"}),
    "reportlab": frozenset({"report"}),
    "rich": frozenset({"cli"}),
    "watchdog": frozenset({"watch"}),
    "smtplib": frozenset({"mail"}),
}
TOP_LEVEL = {
    "README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "Makefile", "pyproject.toml",
    "pipeline", "tests", "fixtures",
}  # fmt: skip
LARGEST_FILE_BYTES = 1_000_000  # a checkout stays quick, and nobody commits a take by accident

MODULES = sorted(PACKAGE.rglob("*.py"))


def part_of(module: str) -> str:
    """ "measure.peaks" belongs to "measure"; the package itself is "__init__"."""
    return module.split(".", maxsplit=1)[0] or "__init__"


def module_name(path: Path) -> str:
    """A file's name within the package, dotted: "measure.peaks", "measure" for its __init__, "" for the package."""
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports(source: str, module: str, *, is_package: bool = False) -> Iterator[str]:
    """Everything that a module imports, wherever in it, as absolute dotted names."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                here = ["kitproof", *filter(None, module.split("."))]
                above = here[: len(here) - node.level + is_package]
                base = ".".join([*above, *filter(None, [base])])
            yield from (f"{base}.{alias.name}" for alias in node.names)


def breaches(source: str, module: str, *, is_package: bool = False) -> list[str]:
    """The imports of a module that its part may not have."""
    part = part_of(module)
    found = []
    for name in imports(source, module, is_package=is_package):
        top, _, rest = name.partition(".")
        if top == "kitproof":
            allowed = ALLOWED[part] | {part, "__version__", ""}
            if not any(rest == entry or rest.startswith(f"{entry}.") for entry in allowed):
                found.append(name)
        elif part not in LIBRARIES.get(top, {part}):
            found.append(name)
    return found


def prints(source: str) -> list[int]:
    """The lines of a module that print, or reach for the standard streams."""
    streams = {"stdout", "stderr", "__stdout__", "__stderr__"}
    lines = []
    for node in ast.walk(ast.parse(source)):
        match node:
            case ast.Call(func=ast.Name(id="print")):
                lines.append(node.lineno)
            case ast.Attribute(value=ast.Name(id="sys"), attr=name) if name in streams:
                lines.append(node.lineno)
            case ast.ImportFrom(module="sys", names=names) if streams & {alias.name for alias in names}:
                lines.append(node.lineno)
    return lines


def undocumented(source: str) -> list[str]:
    """The public functions, classes and methods of a module, and the module itself, that say nothing."""
    tree = ast.parse(source)
    silent = [] if ast.get_docstring(tree) or not tree.body else ["module"]
    definitions = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)
    owners = [tree, *(n for n in tree.body if isinstance(n, ast.ClassDef) and not n.name.startswith("_"))]
    for node in (node for owner in owners for node in owner.body if isinstance(node, definitions)):
        if not node.name.startswith("_") and not ast.get_docstring(node):
            silent.append(node.name)
    return silent


def tracked_files() -> list[str]:
    listing = subprocess.run(["git", "ls-files", "-z"], cwd=REPOSITORY, capture_output=True, check=True, text=True)
    return [name for name in listing.stdout.split("\0") if name]


# ---------------------------------------------------------------- the package
@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_imports_point_one_way(path):
    """A part imports only what it may: stages never know each other, the report never meets audio."""
    name = module_name(path)

    assert breaches(path.read_text("utf-8"), name, is_package=path.name == "__init__.py") == []


def test_only_the_command_line_prints():
    """Every other module raises or returns; what the user reads is decided in one place."""
    printing = {module_name(path): prints(path.read_text("utf-8")) for path in MODULES}

    assert {name for name, lines in printing.items() if lines} <= {"cli"}


@pytest.mark.parametrize("path", sorted(PACKAGE.joinpath("measure").rglob("*.py")), ids=module_name)
def test_every_public_measure_says_what_it_is(path):
    """Each number can be looked up: no public function or class of measure/ without a docstring."""
    assert undocumented(path.read_text("utf-8")) == []


# ---------------------------------------------------------------- the repository
def test_no_tracked_file_is_large():
    """No file over a megabyte."""
    sizes = {name: (REPOSITORY / name).stat().st_size for name in tracked_files() if (REPOSITORY / name).is_file()}

    assert "pyproject.toml" in sizes  # the listing is this repository's
    assert {name: size for name, size in sizes.items() if size > LARGEST_FILE_BYTES} == {}


def test_the_top_level_holds_only_what_belongs_there():
    """What lies at the top level is known; dot files are free."""
    top = {name.split("/", maxsplit=1)[0] for name in tracked_files()}

    assert {name for name in top if not name.startswith(".")} - TOP_LEVEL == set()


# ---------------------------------------------------------------- the checks themselves
@pytest.mark.parametrize(
    ("module", "source", "expected"),
    [
        ("measure.peaks", "from kitproof.find import rules", ["kitproof.find.rules"]),
        ("measure.peaks", "def f():\n    import kitproof.report.pdf", ["kitproof.report.pdf"]),
        ("measure.peaks", "from ..find import rules", ["kitproof.find.rules"]),
        ("measure.peaks", "from .. import find", ["kitproof.find"]),
        ("measure.peaks", "from kitproof import find, model", ["kitproof.find"]),
        ("measure.peaks", "from kitproof.ingest import names", ["kitproof.ingest.names"]),
        ("measure.peaks", "import soundfile as sf", ["soundfile"]),
        ("report.pdf", "from kitproof.ingest.audiofile import blocks", ["kitproof.ingest.audiofile.blocks"]),
        ("units", "from kitproof.measure.peaks import f", ["kitproof.measure.peaks.f"]),
        ("run", "from kitproof.cli import main", ["kitproof.cli.main"]),
        ("find.rules", "from kitproof import run", ["kitproof.run"]),
        ("find.rules", "from kitproof.modelling import x", ["kitproof.modelling.x"]),
        ("measure.peaks", "from .levels import rms\nfrom . import levels\nfrom kitproof.measure import levels", []),
        ("measure.peaks", "from kitproof.ingest.audiofile import blocks\nfrom ..ingest import audiofile", []),
        ("cli", "from kitproof import __version__, run\nfrom rich.console import Console", []),
        ("find.rules", "import numpy as np\nfrom kitproof.model import Finding", []),
    ],
)
def test_a_forbidden_import_is_noticed(module, source, expected):
    """However it is written, an import across the parts is found, and an allowed one is not."""
    assert breaches(source, module) == expected


def test_a_forbidden_import_of_a_subpackage_is_noticed():
    """In an __init__.py one dot means the subpackage itself."""
    assert breaches("from ..find import rules\nfrom .peaks import f", "measure", is_package=True) == [
        "kitproof.find.rules"
    ]


@pytest.mark.parametrize(
    "source",
    [
        "print('x')",
        "import sys\nsys.stdout.write('x')",
        "import sys\nf(file=sys.stderr)",
        "from sys import exit, stderr",
    ],
)
def test_printing_is_noticed(source):
    """Each way to the standard streams is found."""
    assert prints(source) != []


def test_not_printing_is_not_mistaken_for_it():
    """A method called print, or the exit status, is neither."""
    assert prints("import sys\nfrom sys import exit\nconsole.print('x')\nsys.exit(1)\nresult.stdout") == []


def test_a_missing_docstring_is_noticed():
    """Functions, classes and public methods count; private ones do not."""
    source = (
        '"""M."""\ndef f(): ...\nclass C:\n    """C."""\n    def m(self): ...\n    def _p(self): ...\ndef _g(): ...\n'
        "class _D:\n    def m(self): ..."
    )

    assert undocumented(source) == ["f", "m"]
    assert undocumented("x = 1") == ["module"]


def test_the_command_line_starts_without_the_libraries_that_measure_and_draw() -> None:
    """They take a second to load; a take that is known, or a word about the arguments, needs none of them."""
    heavy = ("scipy.signal", "scipy.stats", "matplotlib", "reportlab", "pyloudnorm")
    told = f"import sys, kitproof.cli; print(*sorted(set(sys.modules) & {{*{heavy}}}))"
    done = subprocess.run([sys.executable, "-c", told], capture_output=True, text=True, check=True)

    assert done.stdout.split() == []
