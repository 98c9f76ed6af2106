"""What is installed: the program, its demo records and its type marker, and nothing by mistake."""

from __future__ import annotations

import email
import os
import shutil
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from importlib.metadata import entry_points
from pathlib import Path

import pytest

import leadline

ROOT = Path(__file__).resolve().parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def _built(kind: str, folder: Path) -> Path:
    """One distribution, built by the project's own back end in a process of its own."""
    pytest.importorskip("hatchling", reason="hatchling, of the extra `test`, is not installed")
    code = f"import sys\nfrom hatchling.build import build_{kind} as build\nprint(build(sys.argv[1]))"
    done = subprocess.run(
        [sys.executable, "-c", code, str(folder)], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return folder / done.stdout.split()[-1]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel of the tree as it stands."""
    return _built("wheel", tmp_path_factory.mktemp("wheel"))


@pytest.fixture(scope="module")
def members(wheel: Path) -> set[str]:
    """Names of the files in the wheel."""
    with zipfile.ZipFile(wheel) as archive:
        return set(archive.namelist())


@pytest.fixture(scope="module")
def metadata(wheel: Path) -> email.message.Message:
    """METADATA of the wheel."""
    with zipfile.ZipFile(wheel) as archive:
        name = next(n for n in archive.namelist() if n.endswith(".dist-info/METADATA"))
        return email.message_from_bytes(archive.read(name))


def test_every_source_file_is_inside(members: set[str]) -> None:
    files = {path.relative_to(ROOT / "src").as_posix() for path in (ROOT / "src").rglob("*.py")}
    assert files <= members
    parts = {
        path.relative_to(ROOT / "src").as_posix()
        for pattern in ("*.j2", "*.css", "py.typed")
        for path in (ROOT / "src").rglob(pattern)
    }
    assert len(parts) > 4
    assert parts <= members


def test_demo_records_are_inside_byte_for_byte(wheel: Path, members: set[str]) -> None:
    records = sorted((ROOT / "datasets").rglob("*.csv"))
    assert len(records) == 10
    with zipfile.ZipFile(wheel) as archive:
        for path in (*records, ROOT / "datasets" / "README.md"):
            name = f"leadline/{path.relative_to(ROOT).as_posix()}"
            assert name in members
            assert archive.read(name) == path.read_bytes()


def test_nothing_else_is_inside(members: set[str]) -> None:
    allowed = {".py", ".j2", ".css", ".csv", ".md", ".typed"}
    strangers = {
        name
        for name in members
        if not name.startswith(f"leadline-{leadline.__version__}.dist-info/")
        and (Path(name).suffix not in allowed or not name.startswith("leadline/"))
    }
    assert strangers == set()
    assert not any("__pycache__" in name or "/generator/" in name for name in members)


def test_version_and_demands_are_the_declared_ones(metadata: email.message.Message) -> None:
    assert metadata["Version"] == leadline.__version__
    assert metadata["Requires-Python"] == PROJECT["requires-python"]
    needed = [value for value in metadata.get_all("Requires-Dist", []) if "extra ==" not in value]
    assert sorted(needed) == sorted(PROJECT["dependencies"])
    assert metadata["License-Expression"] == "MIT"


def test_description_is_the_readme(metadata: email.message.Message) -> None:
    body = metadata.get_payload(decode=True)
    assert isinstance(body, bytes)
    assert body.decode().strip() == (ROOT / "README.md").read_text(encoding="utf-8").strip()


def test_program_points_at_the_command_line() -> None:
    found = [point.value for point in entry_points(group="console_scripts", name="leadline")]
    assert found == ["leadline.cli:main"]
    assert PROJECT["scripts"] == {"leadline": "leadline.cli:main"}


def test_unpacked_wheel_runs_on_its_own(wheel: Path, tmp_path: Path) -> None:
    shutil.unpack_archive(wheel, tmp_path / "site", "zip")
    code = "import leadline\nfrom leadline.cli import main\nprint(leadline.__file__)\nmain()"
    environment = os.environ | {"PYTHONPATH": str(tmp_path / "site")}
    done = subprocess.run(
        [sys.executable, "-c", code, "--version"],
        cwd=tmp_path,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    where, version = done.stdout.splitlines()
    assert Path(where).is_relative_to(tmp_path)
    assert version == f"leadline {leadline.__version__}"


def test_source_archive_can_build_and_test_itself(tmp_path: Path) -> None:
    archive = _built("sdist", tmp_path)
    with tarfile.open(archive) as opened:
        names = {name.partition("/")[2] for name in opened.getnames()}
    wanted = ("pyproject.toml", "README.md", "DEVELOPERS.md", "LICENSE", ".ci/run", "tests/test_packaging.py")
    assert names >= {*wanted, "datasets/generate.py", "datasets/dives.csv", "src/leadline/cli/__init__.py"}
    assert not any("__pycache__" in name or name.endswith(".duckdb") for name in names)
