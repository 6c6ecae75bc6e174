"""Commissioning as a page flow: over HTTP with its rights, and in a real headless Chromium on a phone and on a desk."""

import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import page_rig as rig
import pytest
from commission_rig import status
from selenium.webdriver import Chrome
from selenium.webdriver.common.by import By
from selenium.webdriver.support.select import Select

from gateway.app.commissioning import Commissioning
from gateway.model.errors import Refused
from gateway.model.settings import Settings
from gateway.outlets.page.mask import HIDDEN
from gateway.store.commission_file import kept_records
from tests.outlets.page.test_page_browser import SIZES, Screen

VESSEL = "tern-passage"


@dataclass
class Fitting:
    """A commissioning whose engine stands as `now` says, and its page."""

    settings: Settings
    now: dict[str, Any] = field(default_factory=status)
    noted: list[tuple[str, str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.commissioning = Commissioning(
            self.settings, self.folder, "f00d", lambda _: self.now, lambda what, text: self.noted.append((what, text))
        )
        self.crew = rig.Crew(rig.present(time.time()), commissioning=self.commissioning)

    @property
    def folder(self) -> Path:
        return self.settings.gateway.data_dir

    def serve(self) -> rig.Served:
        return rig.Served(rig.inputs(self.settings, self.crew, commission=self.commissioning.handle))

    def do(self, step: str, **more: Any) -> dict[str, Any]:
        """As the terminal does it."""
        return self.commissioning.handle({"step": step, **more}, "A. Person (terminal)")

    def leave_out_all(self) -> None:
        """Everything that may be left out is, and the rest is confirmed."""
        for task in self.do("show")["tasks"]:
            if task["key"] in ("isolate", "restore"):
                self.do("finish", task=task["key"], typed={"done": "yes"})
            else:
                self.do("leave-out", task=task["key"], reason="not today")


@pytest.fixture
def fitting(tmp_path: Path) -> Fitting:
    made = rig.settings(tmp_path)
    rig.fill(made, time.time(), days=1)
    return Fitting(made)


def test_who_may_what(fitting: Fitting) -> None:
    """Anybody who may see the page sees how far it is, without names; only who has logged in changes anything, and the
    record bears the name."""
    with fitting.serve() as served, httpx.Client(base_url=served.url, timeout=180) as client:
        shown = client.get("/api/commission").json()
        assert shown["task"]["key"] == "head" and not shown["complete"] and shown["text"] == ""
        body = {"step": "finish", "task": "head", "typed": {"crank_lines": "3600"}}
        assert client.post("/api/commission", json=body).status_code == 401
        assert kept_records(fitting.folder, VESSEL) == ()
        token = client.post("/api/login", json={"name": "second", "password": rig.PASSWORD}).json()["token"]
        head = {"X-Camdrift-Token": token}
        done = client.post("/api/commission", json=body, headers=head).json()
        assert done["found"]["ok"] and done["task"]["key"] == "isolate" and "second" in done["tasks"][0]["by"]
        for wrong, why in (
            ({"step": "finish", "task": "sense", "typed": {"turns": "2"}}, "was not started"),
            ({"step": "finish", "task": "nothing"}, "there is no task"),
            ({"step": "finish", "task": "head", "typed": {"x": "1"}}, "is no answer"),
            ({"step": "leave-out", "task": "isolate", "reason": "hurry"}, "for safety"),
            ({"step": "sign", "role": "Chief engineer", "name": "B. Person"}, "not complete"),
            ({"step": "begin", "task": "sense", "engine": "other"}, "name the engine"),
        ):
            answer = client.post("/api/commission", json=wrong, headers=head)
            assert answer.status_code == 409 and why in answer.json()["why"], wrong
        assert client.post("/api/commission", json={"step": "burn"}, headers=head).status_code == 422
        client.cookies.clear()
        shown = client.get("/api/commission", params={"task": "head"}).json()
        assert shown["tasks"][0]["by"] == HIDDEN and shown["text"] == "" and shown["task"]["key"] == "head"
        assert "second (page)" not in client.get("/api/commission").text


def test_page_and_terminal_share_one_record(fitting: Fitting) -> None:
    """What one begins the other finishes; a new daemon goes on where it stood; a mistake gets its name."""
    fitting.do("finish", task="head")
    fitting.do("finish", task="isolate", typed={"done": "yes"})
    fitting.do("begin", task="sense")
    fitting.now = status(head_turns=[2.0, -2.0])
    later = Fitting(fitting.settings, fitting.now)
    with later.serve() as served, httpx.Client(base_url=served.url, timeout=180) as client:
        shown = client.get("/api/commission").json()["task"]
        assert shown["key"] == "sense" and shown["started"]
        assert "Since the task began: crank +2.00 turns, cam -2.00 turns." in shown["live"]
        token = client.post("/api/login", json={"name": "second", "password": rig.PASSWORD}).json()["token"]
        body = {"step": "finish", "task": "sense", "typed": {"turns": "2"}}
        found = client.post("/api/commission", json=body, headers={"X-Camdrift-Token": token}).json()
    assert not found["found"]["ok"] and "cam encoder is reversed" in found["found"]["lines"][1]
    assert found["proposed"] == ["head's wiring: exchange A and B of the cam encoder (pins 5 and 6)"]
    kept = fitting.do("show")
    assert kept["text"] == found["text"] and "second" in kept["text"] and "A. Person (terminal)" in kept["text"]


def test_the_record_is_signed_and_kept(fitting: Fitting) -> None:
    """Signed by name and role when all is done; a change afterwards shows; a new fitting puts it aside, and the survey
    finds both."""
    fitting.leave_out_all()
    for role, name in (("Nobody", "B. Person"), ("Chief engineer", " "), ("Chief engineer", "x" * 65)):
        with pytest.raises(Refused):
            fitting.do("sign", role=role, name=name)
    fitting.do("sign", role="Chief engineer", name="B. Person")
    shown = fitting.do("sign", role="Electrician", name="C. Person")
    assert [s["role"] for s in shown["signed"]] == ["Electrician", "Chief engineer"]
    assert "Chief engineer: B. Person, 20" in shown["text"] and shown["text"].count("signature __") == 1
    assert fitting.noted[0][0] == "commissioning-signed" and "B. Person" in fitting.noted[0][1]
    (kept,) = kept_records(fitting.folder, VESSEL)
    assert kept.complete and kept.text == shown["text"] and [s["valid"] for s in kept.signed] == [True, True]
    fitting.do("finish", task="head", typed={"crank_lines": "2000"})
    (kept,) = kept_records(fitting.folder, VESSEL)
    assert not kept.complete and kept.open == ("The head is heard",) and not kept.signed[0]["valid"]
    assert "CHANGED SINCE" in kept.text
    fitting.do("again")
    assert fitting.do("show")["task"]["key"] == "head"
    with pytest.raises(Refused, match="nothing is done yet"):
        fitting.do("again")
    fitting.do("finish", task="head")
    now, before = kept_records(fitting.folder, VESSEL)
    assert not now.earlier and before.earlier and "B. Person" in before.text and now.signed == ()


def test_what_is_no_record_is_named(fitting: Fitting) -> None:
    """A damaged file is refused with its name, in the survey as well; another vessel's too."""
    fitting.do("finish", task="head")
    assert kept_records(fitting.folder, "other")[0].fault
    (path := fitting.folder / "commission-main.json").write_text("[1", encoding="utf-8")
    (kept,) = kept_records(fitting.folder, VESSEL)
    assert str(path) in kept.fault and not kept.complete
    with pytest.raises(Refused, match="move it away"):
        fitting.do("show")


# -- in a browser -----------------------------------------------------------------------------------------------------


def shot(screen: Screen, folder: Path, name: str) -> None:
    """A picture of it, to be looked at."""
    screen.driver.save_screenshot(str(folder / f"{name}.png"))


def finish(screen: Screen, **typed: str) -> None:
    """Fill the answers in and have the task judged."""
    for name, value in typed.items():
        field = screen.driver.find_element(By.CSS_SELECTOR, f".view-commission form [name={name}]")
        if field.tag_name == "select":
            Select(field).select_by_value(value)
        else:
            field.send_keys(value)
    click(screen, "[data-do=finish]")


def click(screen: Screen, selector: str) -> None:
    """A button may stand below what is seen."""
    button = screen.driver.find_element(By.CSS_SELECTOR, selector)
    screen.driver.execute_script("arguments[0].scrollIntoView({block: 'center'}); arguments[0].click()", button)


@pytest.mark.slow
@SIZES
def test_a_person_goes_through_it(driver: Chrome, fitting: Fitting, size: tuple[int, int], tmp_path: Path) -> None:
    """Asked to log in, judged, told of a reversed encoder, put away and taken up again; nothing hangs over the edge;
    signed in the end."""
    with fitting.serve() as served:
        screen = Screen(driver, served, fitting.crew)
        screen.open("commission", size)
        screen.until(lambda: screen.text(".sheet h3") == "The head is heard", "the first task")
        assert screen.driver.find_element(By.CSS_SELECTOR, '.views a[aria-current="page"]').text == "Sheets"
        finish(screen, crank_lines="3600")
        screen.until(lambda: driver.find_element(By.ID, "login").get_attribute("open"), "log-in is asked for")
        screen.log_in()
        screen.until(lambda: "Log out" in screen.text("#login-button"), "logged in")
        # What was typed is still there.
        finish(screen)
        screen.until(lambda: screen.text(".sheet h3") == "Isolate the engine", "the second task")
        shot(screen, tmp_path, "isolate")
        finish(screen, done="yes")
        screen.until(lambda: screen.text(".sheet h3").startswith("Sense, ratio"), "the third task")
        assert not driver.find_elements(By.CSS_SELECTOR, "[data-do=finish]")
        click(screen, "[data-do=begin]")
        screen.until(lambda: driver.find_elements(By.CSS_SELECTOR, "[data-do=finish]"), "started")
        fitting.now = status(head_turns=[-2.0, 2.0])
        screen.until(lambda: "crank -2.00 turns" in screen.text(".live-lines"), "live")
        # The tablet is put away and another page opened: it goes on there.
        screen.open("commission", size)
        screen.until(lambda: driver.find_elements(By.CSS_SELECTOR, "form [name=turns]"), "taken up again")
        finish(screen, turns="2")
        screen.until(lambda: "The crank encoder is reversed" in screen.text(".found"), "the mistake is named")
        assert "NOT RIGHT" in screen.text(".found") and "pins 2 and 3" in screen.text(".found pre")
        assert screen.sideways() <= 0
        shot(screen, tmp_path, "reversed")
        fitting.leave_out_all()
        screen.until(lambda: driver.find_elements(By.CSS_SELECTOR, "[data-do=sign]"), "all is done")
        screen.driver.find_element(By.CSS_SELECTOR, "form [name=name]").send_keys("B. Person")
        click(screen, "[data-do=sign]")
        screen.until(lambda: "Electrician: B. Person" in screen.text("pre.record"), "signed")
        assert screen.sideways() <= 0
        shot(screen, tmp_path, "signed")
        driver.get("about:blank")
    (kept,) = kept_records(fitting.folder, VESSEL)
    assert kept.complete and kept.signed[0]["name"] == "B. Person"
