"""What is given away: the sdist holds all that CI needs, the wheel the packages with their types and the examples."""

import importlib.util
import subprocess
import tarfile
import tomllib
import zipfile
from importlib.metadata import metadata
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]

needs_builder = pytest.mark.skipif(
    importlib.util.find_spec("hatchling") is None, reason="hatchling is not installed; it comes with the extra `dev`"
)


def tracked() -> set[str]:
    """All files of the project."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=False)
    if listed.returncode:
        pytest.skip("not a clone: what belongs to the project is not known")
    return {name for name in listed.stdout.decode().split("\0") if name and (ROOT / name).exists()}


@needs_builder
def test_the_sdist_holds_all_that_ci_needs(tmp_path: Path) -> None:
    """Every file of the project: from the unpacked sdist `.ci/run` runs as from a clone."""
    from hatchling.builders.sdist import SdistBuilder

    (made,) = SdistBuilder(str(ROOT)).build(directory=str(tmp_path), versions=["standard"])
    with tarfile.open(made) as archive:
        held = {name.partition("/")[2]: archive.getmember(name) for name in archive.getnames()}
    assert tracked() - set(held) == set()
    assert held[".ci/run"].mode & 0o111


@needs_builder
def test_the_wheel_holds_packages_types_and_examples(tmp_path: Path) -> None:
    """Both packages, the simulator too, say that they are typed; the invented vessel travels along; no tests do."""
    from hatchling.builders.wheel import WheelBuilder

    (made,) = WheelBuilder(str(ROOT)).build(directory=str(tmp_path), versions=["standard"])
    with zipfile.ZipFile(made) as archive:
        held = set(archive.namelist())
    for name in ("gateway/py.typed", "firmware_sim/py.typed", "gateway/_config/tern-passage.toml"):
        assert name in held
    assert {name.partition("/")[0] for name in held if ".dist-info/" not in name} == {"gateway", "firmware_sim"}


def test_the_metadata_describes_the_project() -> None:
    """Requires, licence and classifiers as installed: typed, for Linux, for the Pythons that it supports."""
    found = metadata("camdrift")
    assert found["Requires-Python"] == PROJECT["requires-python"]
    assert found["License-Expression"] == "MIT" or found["License"] == "MIT"
    required = [r.partition(";")[0] for r in found.get_all("Requires-Dist") or [] if "extra ==" not in r]
    assert len(required) == len(PROJECT["dependencies"])
    assert {"Typing :: Typed", "Operating System :: POSIX :: Linux"} <= set(PROJECT["classifiers"])
    assert PROJECT["classifiers"] == sorted(PROJECT["classifiers"])
