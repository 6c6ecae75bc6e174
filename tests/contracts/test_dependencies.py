"""What is installed with the program: each run-time dependency has a permissive licence, or is named with a reason."""

import re
import tomllib
from collections.abc import Iterable
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path

import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
PERMISSIVE = {
    "0BSD",
    "Apache-2.0",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "CC0-1.0",
    "ISC",
    "MIT",
    "MIT-CMU",
    "MIT-0",
    "PSF-2.0",
    "Unlicense",
    "Zlib",
}
"""SPDX identifiers."""
SAID_OTHERWISE = {
    "MIT License": "MIT", "BSD License": "BSD-3-Clause", "BSD": "BSD-3-Clause", "Apache Software License": "Apache-2.0",
    "ISC License (ISCL)": "ISC", "Python Software Foundation License": "PSF-2.0", "Apache 2.0": "Apache-2.0",
    "The Unlicense (Unlicense)": "Unlicense", "3-Clause BSD License": "BSD-3-Clause",
}  # fmt: skip
"""Older packages say it in words: classifiers and free text."""
WEAK_COPYLEFT = {
    "certifi": "MPL-2.0: a list of certificates, through the extra for notices, unchanged",
    "psycopg": "LGPL-3.0: an extra for the shore, used as a library and unchanged",
    "psycopg-binary": "the same",
    "pyphen": "MPL-1.1 by choice among three: an extra for PDF, used as a library and unchanged",
    "gpiod": "LGPL-2.1 or later: an extra for a relay on a GPIO line, used as a library and unchanged",
}


def needed(roots: Iterable[str], extra: str = "") -> dict[str, Distribution | None]:
    """All that these requirements bring, by normalised name; `None` where it is not installed."""
    found: dict[str, Distribution | None] = {}
    todo = [(Requirement(text), extra) for text in roots]
    while todo:
        asked, extra = todo.pop()
        if asked.marker is not None and not asked.marker.evaluate({"extra": extra}):
            continue
        name = re.sub(r"[-_.]+", "-", asked.name).lower()
        if name in found:
            continue
        try:
            found[name] = dist = distribution(name)
        except PackageNotFoundError:
            found[name] = None
            continue
        extras = ["", *asked.extras]
        todo += [(Requirement(text), e) for text in dist.requires or () for e in extras]
    return found


def licences(dist: Distribution) -> list[set[str]]:
    """What it says of itself: of each set one may be chosen, and all sets hold."""
    meta = dist.metadata
    expression = meta.get("License-Expression")
    if expression:
        parts = [p.strip() for p in re.sub(r"[()]", "", expression).split(" AND ")]
        return [{o.strip() for o in part.split(" OR ")} for part in parts]
    classified = [c.split(" :: ")[-1] for c in meta.get_all("Classifier") or [] if c.startswith("License ::")]
    words = classified or [str(meta.get("License", "")).strip()]
    return [{SAID_OTHERWISE.get(w, w)} for w in words if w != "OSI Approved"]


def permissive(dist: Distribution) -> bool:
    """Is there a way to use it under permissive licences alone? Saying nothing is a no."""
    said = licences(dist)
    return bool(said) and all(choice & PERMISSIVE for choice in said)


RUN_TIME = needed(PROJECT["dependencies"])


def test_the_walk_finds_what_is_there() -> None:
    """All that the project names, and what that needs in turn."""
    direct = {re.sub(r"[-_.]+", "-", Requirement(r).name).lower() for r in PROJECT["dependencies"]}
    assert direct < set(RUN_TIME) and {"pydantic-core", "cffi"} <= set(RUN_TIME)


@pytest.mark.parametrize("name", sorted(RUN_TIME))
def test_every_run_time_dependency_is_permissive(name: str) -> None:
    """No copyleft and no unknown licence slips in with a new dependency, or with a dependency's own."""
    dist = RUN_TIME[name]
    assert dist is not None, f"{name} is not installed"
    assert permissive(dist), f"{name} {dist.version}: {licences(dist)}"


@pytest.mark.parametrize("extra", ["demo", "gpio", "notify", "pdf", "print", "shore"])
def test_extras_for_operation_are_permissive_or_named(extra: str) -> None:
    """Those that somebody chooses to install: the same, but for the ones named with their reason."""
    wanted = needed(PROJECT["optional-dependencies"][extra])
    bad = {n: licences(d) for n, d in wanted.items() if d and not permissive(d) and n not in WEAK_COPYLEFT}
    assert bad == {}


@pytest.mark.parametrize(
    ("fields", "good"),
    [
        (["License-Expression: MIT"], True),
        (["License-Expression: EPL-2.0 OR BSD-3-Clause"], True),
        (["License-Expression: MIT AND GPL-3.0-only"], False),
        (["License-Expression: AGPL-3.0-or-later"], False),
        (["Classifier: License :: OSI Approved :: MIT License"], True),
        (["Classifier: License :: OSI Approved :: GNU General Public License v3 (GPLv3)"], False),
        (["License: BSD"], True),
        (["License: Proprietary"], False),
        ([], False),
    ],
)
def test_the_judgement_itself(fields: list[str], good: bool, tmp_path: Path) -> None:
    """It refuses copyleft, unknown words and silence, and takes the choice where one is given."""
    folder = tmp_path / "x-1.dist-info"
    folder.mkdir()
    text = "\n".join(["Metadata-Version: 2.4", "Name: x", "Version: 1", *fields, ""])
    (folder / "METADATA").write_text(text, encoding="utf-8")
    assert permissive(Distribution.at(folder)) is good


MADE = {"__pycache__", "build"}
"""What running and building leave there; not shipped."""


def test_no_registry_is_named_in_what_is_shipped() -> None:
    """Packages are asked for by name; from where is the installer's own matter."""
    shipped = [
        ROOT / "pyproject.toml",
        *(p for p in (ROOT / "deploy").rglob("*") if p.is_file() and not MADE & {*p.parts}),
    ]
    for path in shipped:
        text = path.read_text(encoding="utf-8", errors="replace")
        assert not re.search(r"--(?:extra-)?index[-]url|find-links https?:|https?://\S+[.](?:whl|tar)", text), path
