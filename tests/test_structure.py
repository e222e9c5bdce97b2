"""The project's shape: who may import whom, sizes, what lies at the top, and what is never named."""

import ast
import hashlib
import re
import subprocess
from pathlib import Path

import pytest

from mbsniff.compiled import LOOPLESS

PROJECT = Path(__file__).parents[1]
PACKAGE = PROJECT / "mbsniff"
PATH = ("capture", "wire", "exchange", "measure", "diagnose")  # the way that every command goes
ANSWERS = (
    "audit",
    "plan",
    "compare",
    "draft",
    "story",
)  # each makes its own of it, and none imports from another
SITE_JOINS = {"measure", "diagnose", "report", "writes", *ANSWERS}
FOR_ALL = {"errors", "compiled"}
MODULES = sorted(PACKAGE.rglob("*.py"))
TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE", "mbsniff", "samples", "tests"}
MOST_LINES = 400


def allowed(folder: str) -> set[str]:
    """The parts of the package that a folder may import from."""
    site = {"site"} if folder in SITE_JOINS else set()
    if folder in PATH:
        return {folder, *PATH[: PATH.index(folder)], *site, *FOR_ALL}
    if folder == "writes":  # it stands on what an audit traces
        return {folder, "audit", *PATH, *site, *FOR_ALL}
    if folder in ANSWERS:
        return {folder, *PATH, *site, *FOR_ALL}
    if folder == "report":
        return {folder, *PATH, *ANSWERS, "writes", *site, *FOR_ALL}
    if folder == "site":
        return {"site", "errors"}
    if folder == "compiled":
        return {folder}
    if folder == "cli":
        return {"cli", "site", "report", "writes", *PATH, *ANSWERS, *FOR_ALL}
    return {"__main__": {"cli"}}.get(folder, set())


def imported(path: Path) -> set[str]:
    """The parts of the package that a module imports from, at its top or within functions."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are absolute"
            names = [f"{node.module}.{alias.name}" for alias in node.names]
        else:
            continue
        found |= {name.split(".")[1] for name in names if name.startswith("mbsniff.")}
    return found - {"__version__"}


def tracked() -> list[Path]:
    """The files of the project, without what is ignored; from the repository where there is one."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=PROJECT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    if listed.returncode:
        pytest.skip("not a repository")
    paths = [PROJECT / name for name in listed.stdout.split("\0") if name]
    return [path for path in paths if path.is_file()]


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_imports_follow_the_data(path: Path) -> None:
    """Each folder imports only from those before it on the data's way; the command line is on top of all."""
    folder = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
    assert imported(path) <= allowed(folder)


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_loops_live_where_the_cache_looks(path: Path) -> None:
    """Compiled loops neither live in, nor take anything from, the folders whose changes leave the cache valid."""
    if "compiled" not in path.parts and re.search(r"^@(kernel|helper|rare)\b", path.read_text("utf-8"), re.M):
        assert not (imported(path) | {path.relative_to(PACKAGE).parts[0]}) & LOOPLESS


def test_every_folder_has_its_place() -> None:
    """A folder that this test does not know has no place in the path yet."""
    folders = {path.name for path in PACKAGE.iterdir() if path.is_dir() and path.name != "__pycache__"}
    assert folders <= {*PATH, *ANSWERS, "compiled", "writes", "report", "site", "cli"}


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_size_of_modules(path: Path) -> None:
    """No module has more than 400 lines, and each begins by saying what it is for."""
    text = path.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= MOST_LINES
    docstring = ast.get_docstring(ast.parse(text))
    assert docstring and docstring.splitlines()[0].endswith((".", ":"))


def test_only_capture_opens_captures() -> None:
    """No other stage of the data's way opens files: from `wire` on they take and give values."""
    opening = re.compile(r"\b(open\(|read_bytes\(|import (gzip|mmap|socket)\b)")
    for path in MODULES:
        if path.relative_to(PACKAGE).parts[0] in {*PATH[1:], *ANSWERS, "writes"}:
            assert not opening.search(path.read_text(encoding="utf-8")), path


def test_nothing_sends() -> None:
    """mbsniff listens only: no module opens a socket or knows how to send."""
    for path in MODULES:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            roots = {name.split(".")[0] for name in names}
            assert not roots & {"socket", "asyncio", "socketserver", "http", "urllib", "requests"}, path


def test_top_level() -> None:
    """The top holds the agreed files and folders, and dot files."""
    names = {path.relative_to(PROJECT).parts[0] for path in tracked()}
    assert {name for name in names if not name.startswith(".")} == TOP


def test_no_leftovers_in_the_package() -> None:
    """There is no catch-all module, and every folder is a package with a sentence about itself."""
    assert not [path for path in MODULES if path.stem in {"utils", "util", "misc", "common", "helpers"}]
    for folder in {path.parent for path in MODULES}:
        text = (folder / "__init__.py").read_text(encoding="utf-8")
        assert ast.get_docstring(ast.parse(text)), folder


# Products for the same job are not named here either: the first digits of the SHA-256 of each name.
_DIGESTS = """
    14fdcc437e66 18533ba196ca 1d4e2d99b162 1d6b5354dba6 1df75e3aa85b 224d7695ad95 26c06f0f8f2a 27b6ebfc0882
    28662759fcf7 29d4c929a276 2c70f132a00e 2cf986c3944a 2e25841bc8e5 30000fbbabec 3096fd17ccf8 34d095ef312f
    4ff9aea16ed6 5b1f182899f6 5c423e457ba4 68fe46c5f904 6e349f5b2a04 72a66d3f2bb8 7ad2752dac41 7d1daa47a549
    83e4d92c4537 873c4740ff2e 89ca1adfcd4f 8b60b1f81d18 8c0d391eb5bd 9064dc95c3e8 91bb7dc52157 96717a419ea5
    9804da5c9280 9a4b4226c28e 9d14f63beb21 9ff37cabbf76 a18cbeb96afe a6f53ecb8bd8 ab421258d4fa ae42d5fe74c2
    b2e9ebe6a69b b6250f434598 b8e3b28ab097 bbb5d3a8aa70 bcd0ac8ea6b2 c2f3826a1cb8 c63e384ae1f8 c7e4026f607a
    ca2805e64831 caf1c06dcf80 cbd7493e4658 d41f407b4548 d5ecb1e8f451 d6c3a2cdaae7 d774e032616f d816b4278d86
    d83891f3f1fd d94ae53c90c9 dd9468971fd0 e111fa4f38f5 e21967551336 ea83245f8ccf f644c608da1f f6f911fd6578
    fb3cf40ba768 feafd5c7891b
"""
NOT_NAMED = frozenset(_DIGESTS.split())
WORD = re.compile(r"\w+")


def texts() -> dict[Path, str]:
    """All text files of the project, apart from what concerns only where its tests are run."""
    found = {}
    for path in tracked():
        data = path.read_bytes()
        if b"\0" not in data and path.relative_to(PROJECT).parts[0] != ".ci":
            found[path] = data.decode("utf-8")
    return found


def test_no_other_product_is_named() -> None:
    """The project goes by standards and its own scenario; products for the same job are not mentioned."""
    words: dict[str, Path] = {}
    for path, text in texts().items():
        words |= dict.fromkeys(WORD.findall(text.lower()), path)
    named = {word: str(path) for word, path in words.items() if _digest(word) in NOT_NAMED}
    assert named == {}


def _digest(word: str) -> str:
    return hashlib.sha256(word.encode()).hexdigest()[:12]


def test_nothing_outside_is_mentioned() -> None:
    """The project stands by itself: no path of a machine, no file beside the repository."""
    outside = (r"\.\./" + "shared", "/" + r"work/(main|shared)", "/tmp/" + "hlp", "DESIGN" + r"\.md")
    beside = re.compile("|".join(outside))
    assert [str(path) for path, text in texts().items() if beside.search(text)] == []
