"""Pictures of the page, as a person sees it, into `deploy/pictures/`: by size, light and what happens.

    python tests/pictures.py                  all of them
    python tests/pictures.py now-alarm wall   those whose names begin so
    python tests/pictures.py --out FOLDER …   elsewhere

The vessel is the invented one, with a year behind it. A palette of 64 colours keeps the files small (Pillow; it comes
with the extra `test`).
"""

import argparse
import io
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parent)]

import page_browser as b  # noqa: E402
import page_rig as rig  # noqa: E402
from panel_boards import alarm  # noqa: E402
from PIL import Image  # noqa: E402
from selenium.webdriver import Chrome  # noqa: E402

from gateway.engine.sheet_facts import facts_at_rest  # noqa: E402
from gateway.model.enums import AlarmState, Priority, Quality, Running  # noqa: E402
from gateway.model.records import Measured  # noqa: E402
from gateway.model.settings import EngineSettings  # noqa: E402
from gateway.model.snapshot import Snapshot  # noqa: E402
from gateway.worksheet.catalogue import SHEETS, as_data, sheet  # noqa: E402

OUT = Path(__file__).parents[1] / "deploy" / "pictures"
SIZES = {"phone": b.PHONE, "desk": b.DESK, "large": b.LARGE}
LIGHTS = ("day", "night", "sun")
COLOURS = 64


@dataclass(frozen=True)
class Scene:
    """What is shown: the present, the address behind the page's, and what is pressed first."""

    name: str
    present: Callable[[float], Snapshot]
    address: str = "#now"
    sizes: tuple[str, ...] = tuple(SIZES)
    lights: tuple[str, ...] = ("day", "night")
    script: str = ""


def _normal(now_s: float) -> Snapshot:
    shelved = alarm(
        7,
        AlarmState.SHELVED,
        tag="slap-high",
        away="second: new guide",
        until_utc_s=now_s + 7_200,
        changed_utc_s=now_s - 900,
        text="Slap 3.1 mm is above its limit of 3.0 mm",
    )
    return rig.present(now_s, shelved)


def _alarm(now_s: float) -> Snapshot:
    calls, seen = rig.two_alarms(now_s)
    view = rig.present(now_s, calls, seen)
    detail = rig.detail(now_s, spring=Measured(183.7, Quality.GOOD), lag=Measured(1.62, Quality.GOOD))
    e = replace(view.engines[0], spring_mm=183.7, compression_mm=19.5, lag_deg=1.62, detail=detail)
    return replace(view, engines=(e,))


def _not_judged(now_s: float) -> Snapshot:
    why = Measured(None, Quality.BAD, "loop current 2.1 mA: below 3.6 mA, the loop has failed")
    return rig.present(now_s, running=Running.AHEAD, detail=rig.detail(now_s, spring=why))


def _standing(now_s: float) -> Snapshot:
    return rig.present(now_s, running=Running.STOPPED, rpm=0.0)


def _no_data(now_s: float) -> Snapshot:
    calls, _ = rig.two_alarms(now_s)
    silent = alarm(16, tag="head-silent", priority=Priority.WARNING, changed_utc_s=now_s - 300, text="No valid data")
    return rig.present(now_s, silent, calls, head_heard=False, detail=rig.detail(now_s - 305))


def _sheets(engine: EngineSettings) -> dict[str, tuple[str, Callable[[str, Mapping[str, str]], dict[str, Any]]]]:
    """The work sheets, engine standing, with the spring as in the alarm's picture."""

    def ask(name: str, _engine: str, typed: Mapping[str, str]) -> dict[str, Any]:
        reading: dict[str, Any] = {
            "utc_s": time.time(),
            "spring": Measured(183.7, Quality.GOOD),
            "lag": Measured(1.18, Quality.GOOD),
        }
        facts = replace(facts_at_rest(engine, []), running=Running.STOPPED, rest_s=2_400.0, **reading)
        return as_data(sheet(name, facts, dict(typed), None))

    return {name: (title, partial(ask, name)) for name, (title, _) in SHEETS.items()}


SCENES = (
    Scene("now-alarm", _alarm, lights=LIGHTS),
    Scene("now-normal", _normal),
    Scene("now-not-judged", _not_judged, sizes=("desk",), lights=("day",)),
    Scene("now-no-data", _no_data, sizes=("phone", "desk"), lights=("day",)),
    Scene("wall-alarm", _alarm, "?wall", ("large",)),
    Scene("wall-normal", _normal, "?wall", ("large",)),
    Scene("trends", _normal, "#trends"),
    Scene(
        "trends-forecast",
        _normal,
        "#trends",
        ("desk",),
        ("day",),
        "document.querySelector('input[value=ahead]').click()",
    ),
    Scene("sheets", _standing, "#sheets/retighten", ("phone", "desk"), ("day",)),
    Scene("log", _alarm, "#log", ("phone", "desk"), ("day",)),
    Scene("help", _normal, "#help", ("desk",), ("day",)),
)


def _settled(driver: Chrome) -> None:
    """Live, and everything that was asked for drawn."""
    ready = (
        "return document.querySelector('#link').textContent === 'live'"
        " && document.querySelector('#view').children.length > 1"
        " && !document.querySelector('[data-busy=true]')"
    )
    end = time.monotonic() + 60
    while not driver.execute_script(ready):
        if time.monotonic() > end:
            raise TimeoutError("the page does not come")
        time.sleep(0.05)
    time.sleep(1.0)


def small(png: bytes) -> bytes:
    """The same picture with a palette."""
    picture = Image.open(io.BytesIO(png)).convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE)
    out = io.BytesIO()
    picture.save(out, "PNG", optimize=True)
    return out.getvalue()


def pictures(wanted: Callable[[str], bool], whole: bool = False) -> Iterator[tuple[str, bytes]]:
    """(name, PNG) of each. `whole`: the page to its end, not only the screen."""
    with tempfile.TemporaryDirectory() as folder, b.chromium() as driver:
        settings = rig.settings(Path(folder))
        now_s = time.time()
        rig.fill(settings, now_s)
        shown = [SCENES[0]]
        # Made each time it is read, since figures that stand still would be shown as old.
        crew, sheets = rig.Crew(rig.present(now_s)), _sheets(settings.engine[0])
        board = replace(rig.inputs(settings, crew, sheets=sheets), board=lambda: shown[0].present(time.time()))
        with rig.Served(board) as served:
            for scene in SCENES:
                for size in scene.sizes:
                    for light in scene.lights:
                        name = f"{scene.name}-{size}-{light}"
                        if wanted(name):
                            shown[0] = scene
                            yield name, _taken(driver, served.url, scene, SIZES[size], light, whole)
            driver.get("about:blank")


def _taken(driver: Chrome, url: str, scene: Scene, size: tuple[int, int], light: str, whole: bool) -> bytes:
    b.sized(driver, size, motion="reduce")
    driver.get("about:blank")
    driver.get(f"{url}/{scene.address}")
    driver.execute_script("document.documentElement.dataset.theme = arguments[0]", light)
    _settled(driver)
    if scene.script:
        driver.execute_script(scene.script)
        _settled(driver)
    driver.execute_script("document.dispatchEvent(new Event('light'))")
    time.sleep(0.4)
    shot: dict[str, Any] = driver.execute_cdp_cmd("Page.captureScreenshot", {"captureBeyondViewport": whole} | (
        {"clip": {"x": 0, "y": 0, "width": size[0], "height": int(driver.execute_script(
            "return document.documentElement.scrollHeight")), "scale": 1}} if whole else {}))  # fmt: skip
    import base64

    return base64.b64decode(shot["data"])


def main() -> None:
    """Write them."""
    parser = argparse.ArgumentParser(description="Pictures of the page.")
    parser.add_argument("names", nargs="*", help="beginnings of the names; none: all")
    parser.add_argument("--out", type=Path, default=OUT)
    parser.add_argument("--whole", action="store_true", help="the page to its end")
    args = parser.parse_args()
    if b.WHY_NOT is not None:
        sys.exit(b.WHY_NOT)
    args.out.mkdir(parents=True, exist_ok=True)
    total = 0
    for name, png in pictures(lambda n: not args.names or any(n.startswith(x) for x in args.names), args.whole):
        data = small(png)
        total += len(data)
        (args.out / f"{name}.png").write_bytes(data)
        sys.stdout.write(f"{name}.png {len(data) / 1000:.0f} kB\n")
    sys.stdout.write(f"{total / 1e6:.1f} MB in {args.out}\n")


if __name__ == "__main__":
    main()
