"""People at a page that several share: each signs in, and decides in their own name and role.

Against the program as a user starts it, in SQLite and PostgreSQL. Who may decide what follows from
the roles' table (`people.MAY`), our own choice; all else is what the tests put in.
"""

from __future__ import annotations

import dataclasses
import http.client
import json
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode

import pytest
from typer.testing import CliRunner

import browsing
import made_up_lab
import record_trials as trials
from made_up_lab import PHRASE, Lab
from veneercheck.bench.desk import IDLE_S, Desk
from veneercheck.bench.store import Dropped, Store
from veneercheck.bench.worker import order_of
from veneercheck.case.run import carry_out
from veneercheck.cli.main import app
from veneercheck.core.errors import RecordError
from veneercheck.record import Register, sha256_of
from veneercheck.record.signing import unsigned


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.long)])
def lab(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Lab:
    """A laboratory of the test's own."""
    made_up_lab.quick_keys(monkeypatch)
    if request.param == "sqlite":
        return Lab(tmp_path, str(tmp_path / "register.sqlite"))
    server = str(request.getfixturevalue("server"))
    return Lab(tmp_path, trials.new_database(server, f"d{sha256_of(str(tmp_path))[:20]}"))


@dataclasses.dataclass
class Browser:
    """One person's browser at the page."""

    page: Any
    signed: str = ""

    def post(self, path: str, **fields: str) -> tuple[int, dict[str, str], str]:
        """Send a form."""
        return self._ask("POST", path, urlencode(fields))

    def get(self, path: str) -> tuple[int, dict[str, str], str]:
        """Ask for a page."""
        return self._ask("GET", path, None)

    def _ask(self, method: str, path: str, body: str | None) -> tuple[int, dict[str, str], str]:
        headers = {"cookie": f"{self.page.cookie}; {self.signed}"}
        code, told, answer = self.page.ask(method, path, body, headers)
        return code, told, answer.decode()

    def signs_in(self, who: str, phrase: str = PHRASE, back: str = "") -> tuple[int, str]:
        """Sign in; the code, and where it leads or what it says."""
        code, headers, told = self.post("/sign", who=who, phrase=phrase, back=back)
        if code == 303:
            cookie = headers["set-cookie"]
            assert "HttpOnly" in cookie and "samesite=strict" in cookie.lower()
            self.signed = cookie.split(";")[0]
        return code, headers.get("location", told)


def test_each_signs_in_and_decides_in_their_own_name(lab: Lab) -> None:
    thin = lab.made_up("T-1", "findings")
    lab.staff()
    here = f"/records/{thin}"
    with browsing.entered(lab.folder / "bench", "--register", lab.place, "--keys",
                      str(lab.keys)) as page:  # fmt: skip
        nobody, technician, licensed = (Browser(page) for _ in range(3))
        assert "sign in to decide" in nobody.get(here)[2]
        code, _, told = nobody.post(here, what="accepted", who="LP", why="")
        assert code == 422 and "must be signed by who takes it" in told
        for who, phrase in (("LP", "another phrase"), ("XX", PHRASE), ("../LP", PHRASE)):
            assert nobody.signs_in(who, phrase)[0] == 403, who
        assert technician.signs_in("TN", back=here) == (303, here)
        assert licensed.signs_in("LP", back="https://evil.example/records") == (303, "/records")
        code, _, told = technician.post(here, what="accepted", who="LP", why="")
        assert code == 422 and "may not accept with findings" in told
        assert "Signed in: LP, licensed person" in licensed.get(here)[2]
        code, headers, _ = licensed.post(here, what="accepted", why="measured by hand")
        assert code == 303 and headers["location"].startswith(here)
        code, headers, _ = technician.post(here, what="cut again", who="LP", why="for Huber, Anna")
        assert code == 303 and "name=1" in headers["location"], "a name is warned of"
        assert "seems to hold a person" in technician.get(headers["location"])[2]
        assert licensed.post("/sign/out")[0] == 303
        assert licensed.post(here, what="remake", why="")[0] == 422
    with Register(lab.place) as register:
        told = [(one.body["who"], one.body["what"], one.body["signature"]["by"])
                for one in register.decisions_on(thin)]  # fmt: skip
        assert told == [("LP", "accepted", "LP"), ("TN", "cut again", "TN")]
        assert list(unsigned(register)) == []


def test_where_nobody_is_enrolled_initials_are_enough(tmp_path: Path) -> None:
    lab = Lab(tmp_path, str(tmp_path / "register.sqlite"))
    key = lab.made_up("T-1", "findings")
    code = f"VENEERCHECK:{key}:{sha256_of((tmp_path / 'cases/T-1/result.json').read_text())}"
    with browsing.entered(tmp_path / "bench", "--register", lab.place) as page:
        browser = Browser(page)
        for who in ("", "too long a name", "<b>"):
            assert browser.post(f"/records/{key}", what="accepted", who=who, why="x")[0] == 422
        assert browser.post(f"/records/{key}", what="shrug", who="AB", why="")[0] == 422
        assert browser.post(f"/records/{key}", what="accepted", who="AB", why="<b>x")[0] == 303
        shown = browser.get(f"/records/{key}?lang=de")[2]
        assert "angenommen" in shown and "&lt;b&gt;x" in shown and "<b>" not in shown
        # a hand scanner types what the code on paper says, and Enter
        told, headers, _ = browser.get(f"/records?words={quote(code.upper())}")
        assert told == 303
        assert "T-1" in browser.get(headers["location"])[2]
        assert browser.get("/api/names?text=Huber,%20Anna")[2].count("Huber") == 1
        many = {f"field{number}": "x" for number in range(99)}
        assert browser.post(f"/records/{key}", **many)[0] == 400
        other = f"VENEERCHECK:{key}:{'0' * 64}".upper()
        assert "another result" in browser.get(f"/records/{quote(other)}")[2]
        assert "no check of" in browser.get("/records/D-0000")[2]
    with Register(lab.place) as register:
        assert [one.body["who"] for one in register.decisions_on(key)] == ["AB"]


def test_who_is_enrolled_comes_in_without_the_password_of_the_page(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By initials and the own pass phrase, signed in at once; a wrong one opens neither door."""
    made_up_lab.quick_keys(monkeypatch)
    lab = Lab(tmp_path, str(tmp_path / "register.sqlite"))
    lab.staff()
    key = lab.made_up("T-1", "findings")
    word = lab.file("word.txt", "a long pass word")
    page = browsing.open_page(tmp_path / "bench", "--register", lab.place, "--keys", str(lab.keys),
                          "--password-file", word)  # fmt: skip
    try:

        def enters(who: str, password: str) -> tuple[int, list[str]]:
            line = http.client.HTTPConnection("127.0.0.1", page.port, timeout=browsing.PATIENCE_S)
            line.request("POST", "/login", urlencode({"who": who, "password": password}))
            answer = line.getresponse()
            answer.read()
            line.close()
            cookies = answer.headers.get_all("set-cookie") or []
            return answer.status, [one.split(";")[0] for one in cookies]

        assert enters("LP", "a long pass word")[0] == 403, "the page's own, with initials"
        assert enters("XX", PHRASE)[0] == enters("../LP", PHRASE)[0] == 403
        assert enters("", PHRASE)[0] == 403
        assert len(enters("", "a long pass word")[1]) == 1
        code, (page.cookie, signed) = enters("LP", PHRASE)
        assert code == 303
        browser = Browser(page, signed)
        assert browser.post(f"/records/{key}", what="accepted", why="")[0] == 303
    finally:
        browsing.close_page(page)
    with Register(lab.place) as register:
        assert [one.body["signature"]["by"] for one in register.decisions_on(key)] == ["LP"]


def test_who_leaves_the_desk_is_signed_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By a clock of the test's own; each question begins the half hour anew."""
    made_up_lab.quick_keys(monkeypatch)
    lab, now = Lab(tmp_path, str(tmp_path / "register.sqlite")), [0.0]
    lab.staff()
    desk = Desk(lab.keys, lambda: now[0])
    token = desk.sign_in(lab.place, "TN", PHRASE)
    for _ in range(3):
        now[0] += IDLE_S - 1.0
        found = desk.signed(token)
        assert found is not None and found.initials == "TN"
    now[0] += IDLE_S + 1.0
    assert desk.signed(token) is None and desk.signed("") is None
    lab.did("people", "enrol", "TN", "--role", "left", who="LP")
    with pytest.raises(RecordError, match="left"):
        desk.sign_in(lab.place, "TN", PHRASE)


def test_a_check_of_the_page_goes_on_record_as_it_is(tmp_path: Path, server: str) -> None:
    """Made once, as the page makes it; confirming repeats it to the last digit."""
    work = trials.scans(tmp_path / "scans")
    store = Store(tmp_path / "bench")
    scans = {"framework": Dropped(work.framework, "f.stl"), "waxup": Dropped(work.waxup, "w.stl")}
    order = {"made": "2026-03-31T10:00:00+00:00", "case": {}, "profile": None, "beads_mm": None,
             "unit": "mm", "lang": "en", "after": None}  # fmt: skip
    job = store.new_job(order, scans, {})
    carry_out(order_of(job), out=job.out, with_report=False)
    job.tell(end="done")
    for place in (str(tmp_path / "register.sqlite"), trials.new_database(server, "of_the_page")):
        goes_on_record(Lab(tmp_path, place), store, job)


def goes_on_record(lab: Lab, store: Store, job: Any) -> None:
    """What the page has checked, into a register of its own."""
    lab.did("scanners", "add", "S-1", "--serial", "4711", who="AB")
    with browsing.entered(store.root, "--register", lab.place) as page:
        browser, here = Browser(page), f"/checks/{job.number}/record"
        asked = browser.get(here)[2]
        assert "has no case number" in asked and 'value="S-1"' in asked
        assert browser.post(here, who="AB", scanner="S-9")[0] == 422
        assert browser.post(here, who="", scanner="S-1")[0] == 422
        places = {browser.post(here, who="AB", scanner="S-1")[1]["location"] for _ in range(2)}
        (place,) = places
        shown = browser.get(place)[2]
        assert "S-1, serial 4711" in shown and "without a case number" in shown
    words = ["records", "confirm", "--register", lab.place]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0 and "1 checks repeated to the last digit" in done.output
    listed = json.loads(lab.did("records", "find", "--json"))
    assert [(one["who"], one["scanner"]) for one in listed] == [("AB", "s-1")]
