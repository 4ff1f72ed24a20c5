"""The built wheel works without the checkout: installed afresh, run from another folder."""

import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
SHIPPED = ("maps", "demo_registry")


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build the wheel by way of the source distribution, as a release does."""
    folder = tmp_path_factory.mktemp("dist")
    build(ROOT, folder, "sdist")
    (archive,) = folder.glob("*.tar.gz")
    subprocess.run(["tar", "-xzf", str(archive), "-C", str(folder)], check=True)
    build(folder / archive.name.removesuffix(".tar.gz"), folder, "wheel")
    (built,) = folder.glob("*.whl")
    return built


def build(source: Path, folder: Path, target: str) -> None:
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", target, "-d", str(folder)],
        cwd=source,
        check=True,
        capture_output=True,
    )


def test_the_wheel_holds_every_tracked_file_of_what_it_ships(wheel: Path) -> None:
    inside = set(zipfile.ZipFile(wheel).namelist())
    tracked = subprocess.run(
        ["git", "ls-files", *SHIPPED, "scionreg"],
        cwd=ROOT,
        check=True,
        capture_output=True,
        text=True,
    ).stdout.splitlines()
    wanted = {
        name if name.startswith("scionreg/") else f"scionreg/_data/{name}" for name in tracked
    }
    assert {name for name in inside if ".dist-info/" not in name} == wanted


def test_an_installed_wheel_runs_the_demo_from_another_folder(wheel: Path, tmp_path: Path) -> None:
    environment = tmp_path / "environment"
    subprocess.run([sys.executable, "-m", "uv", "venv", "-q", str(environment)], check=True)
    subprocess.run(
        [
            *(sys.executable, "-m", "uv", "pip", "install", "-q", "--compile-bytecode"),
            *("--python", str(environment / "bin" / "python"), str(wheel)),
        ],
        check=True,
    )
    done = subprocess.run(
        [str(environment / "bin" / "scionreg"), "demo", "nursery"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "recall of C24-0047-1" in done.stdout
    where = subprocess.run(
        [str(environment / "bin" / "python"), "-c", "import scionreg; print(scionreg.__file__)"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    assert where.startswith(str(environment))
