"""Builds the Debian packages: `camdrift_VERSION_ARCH.deb` for the box aboard, `camdrift-shore_VERSION_ARCH.deb` ashore.

    python3 deploy/deb/build.py --out DIR [--only ship|shore] [--wheels DIR] [--pins FILE]

Run it on the Debian release that the packages are for, with that release's Python (`pip` in it), `dpkg-deb` and `git`.
Each package has all of Python's libraries inside, so that it installs without a network. Two builds from the same
wheels give the same bytes: `--wheels` takes those of an earlier build, `--pins` fetches them again by name, version and
hash. The pins of a build lie beside its package.
"""

import argparse
import email.parser
import email.utils
import gzip
import hashlib
import importlib.util
import os
import shutil
import subprocess
import sys
import tempfile
import tomllib
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
PYTHON = f"{sys.version_info[0]}.{sys.version_info[1]}"
NEXT_PYTHON = f"{sys.version_info[0]}.{sys.version_info[1] + 1}"
RELEASES = {"3.11": "deb12", "3.13": "deb13"}
"""Which Debian release has which Python; another one is built under its Python's number."""
BEFORE_1980 = 315_532_800
MAINTAINER = "the camdrift developers <camdrift@shore.example>"


@dataclass(frozen=True)
class Kind:
    """One of the two packages. `copies`: files of the project by their place in the package, with their mode."""

    name: str
    extras: str
    summary: str
    text: str
    depends: str
    recommends: str
    copies: Mapping[str, tuple[str, int]]
    documents: tuple[str, ...]
    links: Mapping[str, str]

    @property
    def home(self) -> str:
        """Where the program lies."""
        return f"/usr/lib/{self.name}"

    def placed(self, text: str) -> str:
        """Units and scripts are written for the guides' long way, /opt/camdrift; here with this package's paths."""
        text = text.replace("/opt/camdrift/share/shore/", f"/usr/share/doc/{self.name}/")
        for name in ("INSTALL.md", "SECURITY.md"):
            text = text.replace(f"/opt/camdrift/share/{name}", f"/usr/share/doc/{self.name}/{name}")
        return text.replace("/opt/camdrift/share/", f"{self.home}/").replace("/opt/camdrift/", f"{self.home}/")


SHIP = Kind(
    name="camdrift",
    extras="gpio,print,terminal",
    summary="watches the camshaft chain drive of a ship's engine",
    text="""\
 Reads the sensor head at a large two-stroke engine's camshaft drive, follows
 chain elongation, tightener and camshaft timing, and raises alarms at the
 alarm panel, on a page and over MQTT. A monitoring aid: it stops and starts
 nothing.
 .
 Nothing is started before 'camdrift setup' has been through.""",
    depends=f"python3 (>= {PYTHON}), python3 (<< {NEXT_PYTHON}), systemd (>= 252), openssl, debconf (>= 0.5), libc6, "
    "libgcc-s1, libstdc++6",
    recommends="mosquitto, mosquitto-clients, chrony",
    copies={
        "/usr/lib/systemd/system/camdrift.service": ("deploy/ship/camdrift.service", 0o644),
        "/usr/lib/systemd/system/camdrift-report.service": ("deploy/ship/camdrift-report.service", 0o644),
        "/usr/lib/systemd/system/camdrift-report.timer": ("deploy/ship/camdrift-report.timer", 0o644),
        "/usr/lib/systemd/system/camdrift-backup.service": ("deploy/ship/camdrift-backup.service", 0o644),
        "/usr/lib/systemd/system/camdrift-backup.timer": ("deploy/ship/camdrift-backup.timer", 0o644),
        "/usr/lib/modules-load.d/camdrift.conf": ("deploy/ship/camdrift-modules.conf", 0o644),
        "/usr/lib/sysusers.d/camdrift.conf": ("deploy/deb/ship/sysusers.conf", 0o644),
        "/usr/lib/tmpfiles.d/camdrift.conf": ("deploy/deb/ship/tmpfiles.conf", 0o644),
        "/usr/lib/udev/rules.d/60-camdrift-adapter.rules": ("deploy/deb/ship/adapter.rules", 0o644),
        "/etc/default/camdrift": ("deploy/deb/ship/default", 0o644),
        "/usr/lib/camdrift/backup.sh": ("deploy/ship/backup.sh", 0o755),
        "/usr/lib/camdrift/certificates.sh": ("deploy/ship/certificates.sh", 0o755),
        "/usr/sbin/camdrift-update": ("deploy/ship/update.sh", 0o755),
        "/usr/lib/camdrift/ship/mosquitto-ship.conf": ("deploy/ship/mosquitto-ship.conf", 0o644),
        "/usr/lib/camdrift/ship/mosquitto-acl": ("deploy/ship/mosquitto-acl", 0o644),
        "/usr/lib/camdrift/ship/mosquitto-bridge.conf": ("deploy/ship/mosquitto-bridge.conf", 0o644),
    },
    documents=tuple(
        f"deploy/{name}.md" for name in ("INSTALL", "GUIDE", "SECURITY", "PANEL", "MQTT", "SURVEY", "SIZING")
    ),
    links={"/usr/bin/camdrift": "../lib/camdrift/venv/bin/camdrift"},
)
SHORE = Kind(
    name="camdrift-shore",
    extras="shore,notify,terminal",
    summary="keeps ashore what a fleet's camshaft drive gateways send",
    text="""\
 Keepers that check each message of the ships' gateways and keep it in SQLite
 or PostgreSQL, the fleet's list and page, notices to people, alerts as they
 come, and what a broker ashore needs. Nothing in it can reach into a ship.
 .
 Nothing is started before 'camdrift-shore setup' has been through.""",
    depends=f"python3 (>= {PYTHON}), python3 (<< {NEXT_PYTHON}), systemd (>= 252), openssl, debconf (>= 0.5), libc6, "
    "libgcc-s1, libstdc++6",
    recommends="mosquitto, mosquitto-clients",
    copies={
        "/usr/lib/systemd/system/camdrift-keep@.service": ("deploy/shore/camdrift-keep@.service", 0o644),
        "/usr/lib/systemd/system/camdrift-notify@.service": ("deploy/shore/camdrift-notify@.service", 0o644),
        "/usr/lib/systemd/system/camdrift-fleet.service": ("deploy/shore/camdrift-fleet.service", 0o644),
        "/usr/lib/sysusers.d/camdrift-shore.conf": ("deploy/deb/shore/sysusers.conf", 0o644),
        "/usr/lib/tmpfiles.d/camdrift-shore.conf": ("deploy/deb/shore/tmpfiles.conf", 0o644),
        "/usr/lib/camdrift-shore/certificates.sh": ("deploy/ship/certificates.sh", 0o755),
        "/usr/lib/camdrift-shore/shore/mosquitto-shore.conf": ("deploy/shore/mosquitto-shore.conf", 0o644),
        "/usr/lib/camdrift-shore/shore/mosquitto-shore-acl": ("deploy/shore/mosquitto-shore-acl", 0o644),
        "/usr/lib/camdrift-shore/shore/keeper.env": ("deploy/shore/keeper.env", 0o644),
        "/usr/share/doc/camdrift-shore/shore.toml": ("deploy/shore/shore.toml", 0o644),
        "/usr/share/doc/camdrift-shore/schema.sql": ("deploy/shore/schema.sql", 0o644),
        "/usr/share/doc/camdrift-shore/dashboard.json": ("deploy/shore/dashboard.json", 0o644),
    },
    documents=("deploy/shore/README.md",),
    links={"/usr/bin/camdrift-shore": "../lib/camdrift-shore/venv/bin/camdrift-shore"},
)
COMPLETIONS = {
    "bash": "/usr/share/bash-completion/completions/",
    "zsh": "/usr/share/zsh/vendor-completions/_",
}
"""By shell, what stands before the command's name."""
KINDS = {"ship": SHIP, "shore": SHORE}


def main() -> int:
    """Build what was asked for; each package's path on a line."""
    parser = argparse.ArgumentParser(description="Build the Debian packages.")
    parser.add_argument("--out", type=Path, required=True, help="folder for packages and pins")
    parser.add_argument("--only", choices=sorted(KINDS), help="one of the two packages")
    parser.add_argument("--wheels", type=Path, help="a folder with all wheels, of an earlier build (default: fetched)")
    parser.add_argument("--pins", type=Path, help="fetch the very wheels that this file of an earlier build names")
    parser.add_argument("--version", default=PROJECT["version"], help="another version's name, for trials")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    for key in [args.only] if args.only else sorted(KINDS):
        print(build(KINDS[key], args.out, args.wheels, args.pins, args.version))  # noqa: T201
    return 0


def build(kind: Kind, out: Path, wheels: Path | None, pins: Path | None, version: str) -> Path:
    """One package into `out`; beside it the pins, and the wheels in `wheels`."""
    epoch = source_date()
    os.environ["SOURCE_DATE_EPOCH"] = str(epoch)
    full = f"{version}+{RELEASES.get(PYTHON, 'py' + PYTHON)}"
    arch = output_of("dpkg", "--print-architecture")
    with tempfile.TemporaryDirectory(prefix="camdrift-deb-") as made:
        work, stage = Path(made), Path(made) / "stage"
        stage.mkdir(mode=0o755)
        folder = work / "wheels"
        fetched = gather(kind, wheels, pins, folder)
        pinned = pins_of(folder)
        program(kind, stage, folder, pinned, work)
        files(kind, stage)
        put(stage, f"{kind.home}/pins.txt", pinned)
        pages(kind, stage, full, epoch)
        documents(kind, stage, full, epoch)
        byte_code(kind, stage)
        control(kind, stage, full, arch)
        tidy(stage)
        package = out / f"{kind.name}_{full}_{arch}.deb"
        run("dpkg-deb", "--root-owner-group", "-Zxz", "-z2", "--build", str(stage), str(package))
        (out / f"{package.stem}.pins").write_text(pinned, encoding="utf-8")
        if fetched:
            shutil.copytree(folder, out / f"wheels-{kind.name}", dirs_exist_ok=True)
    return package


def source_date() -> int:
    """What all files are dated: SOURCE_DATE_EPOCH, else the last commit's, else the project file's own date."""
    if given := os.environ.get("SOURCE_DATE_EPOCH"):
        return int(given)
    log = subprocess.run(["git", "log", "-1", "--format=%ct"], cwd=ROOT, capture_output=True, text=True, check=False)
    text = log.stdout.strip()
    return int(text) if text else max(BEFORE_1980, int((ROOT / "pyproject.toml").stat().st_mtime))


# -- Python's part ------------------------------------------------------------------------------------------------


def gather(kind: Kind, wheels: Path | None, pins: Path | None, folder: Path) -> bool:
    """All wheels into `folder`, our own made from the source. True where they were fetched."""
    folder.mkdir()
    isolated = [] if importlib.util.find_spec("hatchling") is None else ["--no-build-isolation"]
    pip("wheel", "--no-deps", *isolated, "-w", str(folder), str(ROOT), ours=True)
    if wheels is not None:
        for path in wheels.glob("*.whl"):
            if not path.name.startswith("camdrift-"):
                shutil.copyfile(path, folder / path.name)
        return False
    if pins is not None:
        lines = pins.read_text(encoding="utf-8").splitlines()
        others = [line for line in lines if line and not line.startswith(("#", "camdrift=="))]
        asked = folder.parent / "asked.txt"
        asked.write_text("\n".join(others) + "\n", encoding="utf-8")
        pip("download", "--only-binary=:all:", "--no-deps", "--require-hashes", "-d", str(folder), "-r", str(asked))
        return True
    extras = [PROJECT["optional-dependencies"][extra] for extra in kind.extras.split(",")]
    # Not from pip's own cache: what was compiled there may name another Python's folders.
    asked_for = [*PROJECT["dependencies"], *(one for extra in extras for one in extra)]
    pip("--no-cache-dir", "wheel", "-w", str(folder), *asked_for)
    return True


def pins_of(folder: Path) -> str:
    """Name, version and hash of each wheel, a requirement a line; no word of where it came from."""
    lines = []
    for path in folder.glob("*.whl"):
        name, version = path.name.split("-")[:2]
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        lines.append(f"{name.replace('_', '-').lower()}=={version} --hash=sha256:{digest}\n")
    return "".join(sorted(lines))


def program(kind: Kind, stage: Path, wheels: Path, pins: str, work: Path) -> None:
    """The virtual environment: each wheel unpacked by pip, its hash compared, nothing fetched."""
    requirements = work / "pins.txt"
    requirements.write_text(pins, encoding="utf-8")
    venv = Path(f"{stage}{kind.home}/venv")
    site = venv / f"lib/python{PYTHON}/site-packages"
    offline = ["--no-index", "--find-links", str(wheels), "--no-deps", "--require-hashes", "--no-compile"]
    pip("install", *offline, "--no-user", "--target", str(site), "-r", str(requirements))
    shutil.rmtree(site / "bin", ignore_errors=True)
    for name in ("share", "include", "man"):
        shutil.rmtree(site / name, ignore_errors=True)
    for tests in [p for p in site.glob("numpy/**/tests") if p.is_dir()]:
        shutil.rmtree(tests)
    strip_built_here(wheels, site)
    for record in site.glob("*.dist-info/RECORD"):
        # Sorted, and without the scripts, which name the Python of the builder.
        lines = record.read_text(encoding="utf-8").splitlines(keepends=True)
        kept = [x for x in lines if not x.startswith(("bin/", "../")) and "/tests/" not in x]
        record.write_text("".join(sorted(kept)), encoding="utf-8")
    put(
        stage,
        f"{kind.home}/venv/pyvenv.cfg",
        f"home = /usr/bin\ninclude-system-site-packages = false\nversion = {PYTHON}\n",
    )
    (venv / "bin").mkdir()
    (venv / "bin/python").symlink_to(f"../../../../bin/python{PYTHON}")
    (venv / "bin/python3").symlink_to("python")
    program_scripts(kind, stage)


def strip_built_here(wheels: Path, site: Path) -> None:
    """Libraries that pip had to compile name the builder's folders in their debugging symbols; published ones stay."""
    for wheel in wheels.glob("*-linux_*.whl"):
        with zipfile.ZipFile(wheel) as archive:
            for name in archive.namelist():
                if name.endswith(".so"):
                    run("strip", "--strip-unneeded", str(site / name))


def program_scripts(kind: Kind, stage: Path) -> None:
    """The commands: without docstrings, with the package's own byte code, and nothing taken from the current folder."""
    common = (
        "#!/bin/sh\n"
        f"export PYTHONOPTIMIZE=2 PYTHONPYCACHEPREFIX={kind.home}/cache PYTHONDONTWRITEBYTECODE=1 PYTHONSAFEPATH=1\n"
        "export PYTHONNOUSERSITE=1\n"
    )
    run_it = f"exec {kind.home}/venv/bin/python -m gateway.cli"
    put(stage, f"{kind.home}/venv/bin/camdrift", f'{common}{run_it} "$@"\n', 0o755)
    if kind is SHORE:
        put(stage, f"{kind.home}/venv/bin/camdrift-shore", f'{common}{run_it} shore "$@"\n', 0o755)
    else:
        head = f'exec {kind.home}/venv/bin/python -m firmware_sim.cli "$@"\n'
        put(stage, f"{kind.home}/venv/bin/camdrift-head", common + head, 0o755)


COMPILE = """
import py_compile, sys
from pathlib import Path
stage, cache = sys.argv[1:]
mode = py_compile.PycInvalidationMode.UNCHECKED_HASH
for path in sorted(Path(stage).rglob("site-packages/**/*.py")):
    if {"tests", "testing", "_pyinstaller", "f2py"} & set(path.parts) and "numpy" in path.parts:
        continue
    placed = str(path)[len(stage):]
    target = f"{stage}{cache}{placed[:-3]}.{sys.implementation.cache_tag}.opt-2.pyc"
    Path(target).parent.mkdir(parents=True, exist_ok=True)
    py_compile.compile(str(path), cfile=target, dfile=placed, doraise=True, optimize=2, invalidation_mode=mode)
"""


def byte_code(kind: Kind, stage: Path) -> None:
    """Byte code as the service wants it: no docstrings, known by its place in the package, never asked for its age."""
    # A hash seed of its own: sets in the code are written in their order.
    line = [sys.executable, "-c", COMPILE, str(stage), f"{kind.home}/cache"]
    subprocess.run(line, check=True, env={**os.environ, "PYTHONHASHSEED": "0", "PYTHONDONTWRITEBYTECODE": "1"})


# -- files --------------------------------------------------------------------------------------------------------


def files(kind: Kind, stage: Path) -> None:
    """Units, rules, snippets; what names a path of the long way names the package's."""
    for place, (source, mode) in kind.copies.items():
        put(stage, place, kind.placed((ROOT / source).read_text(encoding="utf-8")), mode)
    for place, target in kind.links.items():
        path = Path(f"{stage}{place}")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.symlink_to(target)
    if kind is SHIP:
        for name in ("tern-passage.toml", "two-engines.toml", "minimal.toml"):
            put(stage, f"/usr/share/doc/camdrift/examples/{name}", (ROOT / "config" / name).read_text(encoding="utf-8"))


def pages(kind: Kind, stage: Path, version: str, epoch: int) -> None:
    """Manual pages from the help texts of the commands that are in the package."""
    site = f"{stage}{kind.home}/venv/lib/python{PYTHON}/site-packages"
    with tempfile.TemporaryDirectory() as made:
        line = [sys.executable, str(HERE / "manual.py"), kind.name, version, str(epoch), made]
        environment = {**os.environ, "PYTHONPATH": site, "PYTHONDONTWRITEBYTECODE": "1", "COLUMNS": "200"}
        subprocess.run(line, check=True, env=environment)
        for page in Path(made).iterdir():
            section = page.suffix.removeprefix(".")
            put(stage, f"/usr/share/man/man{section}/{page.name}.gz", squeezed(page.read_text(encoding="utf-8")))
        for shell, place in COMPLETIONS.items():
            asked = [sys.executable, "-m", "gateway.cli", "completion", shell, *(["--shore"] if kind is SHORE else [])]
            done = subprocess.run(asked, check=True, env=environment, capture_output=True, text=True, cwd=made)
            put(stage, f"{place}{kind.name}", done.stdout)


def documents(kind: Kind, stage: Path, version: str, epoch: int) -> None:
    """Guides, licences of all that is inside, and the changes."""
    folder = f"/usr/share/doc/{kind.name}"
    for source in kind.documents:
        put(stage, f"{folder}/{Path(source).name}", (ROOT / source).read_text(encoding="utf-8"))
    put(stage, f"{folder}/CHANGES.md", (ROOT / "CHANGES.md").read_text(encoding="utf-8"))
    when = email.utils.formatdate(epoch)
    entry = f"{kind.name} ({version}) stable; urgency=medium\n\n  * What is new stands in CHANGES.md.\n\n"
    put(stage, f"{folder}/changelog.gz", squeezed(f"{entry} -- {MAINTAINER}  {when}\n"))
    licence = (ROOT / "LICENSE").read_text(encoding="utf-8")
    site = Path(f"{stage}{kind.home}/venv/lib/python{PYTHON}/site-packages")
    put(stage, f"{folder}/copyright", copyright_text(licence, site))
    overrides = (HERE / "lintian-overrides").read_text(encoding="utf-8").replace("PACKAGE", kind.name)
    put(stage, f"/usr/share/lintian/overrides/{kind.name}", overrides)


def copyright_text(licence: str, site: Path) -> str:
    """Ours in full; of each library its name and licence, whose text lies beside it."""
    text = f"camdrift\n\n{licence.rstrip()}\n\nLibraries inside, unchanged; their licences' texts lie beside them in\n"
    text += f"{str(site)[str(site).index('/usr/lib/') :]}/NAME.dist-info:\n\n"
    for path in sorted(site.glob("*.dist-info/METADATA")):
        found = email.parser.Parser().parsestr(path.read_text(encoding="utf-8"), headersonly=True)
        classified = [c.rpartition(" :: ")[2] for c in found.get_all("Classifier") or [] if c.startswith("License")]
        named = found.get("License-Expression") or ", ".join(classified) or (found.get("License") or "").split("\n")[0]
        if found["Name"] != "camdrift":
            text += f"  {found['Name']} {found['Version']}: {named}\n"
    return text + "\nOn Debian the text of the LGPL is in /usr/share/common-licenses/LGPL-2.1 and LGPL-3.\n"


def squeezed(text: str) -> bytes:
    """gzip without a time."""
    return gzip.compress(text.encode(), 9, mtime=0)


def put(stage: Path, place: str, data: str | bytes, mode: int = 0o644) -> None:
    """A file of the package."""
    path = Path(f"{stage}{place}")
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data.encode() if isinstance(data, str) else data)
    path.chmod(mode)


# -- the package's own -------------------------------------------------------------------------------------------


def control(kind: Kind, stage: Path, version: str, arch: str) -> None:
    """Control file, scripts, checksums, and which files are the user's."""
    folder = stage / "DEBIAN"
    folder.mkdir()
    scripts = HERE / ("ship" if kind is SHIP else "shore")
    for name in ("preinst", "postinst", "prerm", "postrm", "config", "templates", "triggers"):
        if (scripts / name).exists():
            text = (
                (scripts / name).read_text(encoding="utf-8").replace("@PYTHON@", PYTHON).replace("@VERSION@", version)
            )
            put(stage, f"/DEBIAN/{name}", text, 0o644 if name in ("templates", "triggers") else 0o755)
    held = sorted(p for p in stage.rglob("*") if p.is_file() and not p.is_symlink() and folder not in p.parents)
    sums = [f"{hashlib.md5(p.read_bytes()).hexdigest()}  {p.relative_to(stage)}\n" for p in held]
    put(stage, "/DEBIAN/md5sums", "".join(sums))
    settings = [f"/{p.relative_to(stage)}\n" for p in held if p.relative_to(stage).parts[0] == "etc"]
    if settings:
        put(stage, "/DEBIAN/conffiles", "".join(settings))
    size_kb = sum(-(-p.stat().st_size // 1_024) for p in held)
    put(
        stage,
        "/DEBIAN/control",
        f"Package: {kind.name}\nVersion: {version}\nArchitecture: {arch}\nMaintainer: {MAINTAINER}\n"
        f"Installed-Size: {size_kb}\nDepends: {kind.depends}\nRecommends: {kind.recommends}\n"
        f"Section: misc\nPriority: optional\nDescription: {kind.summary}\n{kind.text}\n",
    )


def tidy(stage: Path) -> None:
    """Modes as the package has them, whatever the builder's mask; no cache of the builder."""
    for path in stage.rglob("*"):
        if path.is_symlink():
            continue
        if path.is_dir():
            path.chmod(0o755)
        elif "site-packages" in path.parts:
            path.chmod(0o644)


def run(*line: str) -> None:
    """A program that must go well."""
    subprocess.run(line, check=True, stdout=subprocess.DEVNULL)


def output_of(*line: str) -> str:
    """What a program prints."""
    return subprocess.run(line, check=True, capture_output=True, text=True).stdout.strip()


def pip(*words: str, ours: bool = False) -> None:
    """pip for the release's own Python, so that what it compiles names no other one; `ours`: for this one."""
    os.environ["PIP_ROOT_USER_ACTION"] = "ignore"
    system = f"/usr/bin/python{PYTHON}"
    of = [] if ours or not Path(system).exists() else ["--python", system]
    run(sys.executable, "-m", "pip", *of, "-qq", "--disable-pip-version-check", *words)


if __name__ == "__main__":
    sys.exit(main())
