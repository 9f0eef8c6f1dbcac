"""The pages in a real browser: its policy, its keyboard, a scanner, both widths and themes, without script, and judged for
people who see, hear or reach otherwise (axe-core, WCAG 2.0 to 2.2 A and AA, and its best practice)."""
import json
import pathlib
import re
import shutil
import subprocess
import time

import axe_playwright_python
import pytest
from playwright.sync_api import sync_playwright

from conftest import WICKLINE, Daemon, ask, configuration

BROWSER = "chromium-headless-shell"
AXE = (pathlib.Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text()
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
WORD = "four tubes on a tray"
CONTROL = 'class = "control"\n'
# Control material of two levels, and what is cared for.
CARED = """
[[control]]
level = "1"
lot = "KP-101"
first_day = "2020-01-01"
last_day = "2099-12-31"
expect = ["BIL=NEG", "BLD=NEG", "GLU=NEG", "KET=NEG", "LEU=NEG", "NIT=NEG", "PH=any", "PRO=NEG", "SG=any", "URO=NORM"]
[[care]]
name = "Platform and tray cleaned"
every = "day"
[[care]]
name = "Strip canister opened"
every = "canister"
"""
RULED = """control_levels = ["1"]
control_specimens = ["QC-L1=1"]
controls_due = "off"
controls_failed = "off\""""
# What a page must not do: reach past its own width.
WIDE = """() => { const w = document.documentElement.clientWidth; return [...document.querySelectorAll('body *')].filter(e =>
  !e.closest('svg, .scroll, .unseen, .skip, pre') && e.getBoundingClientRect().right > w + 1).map(e => e.tagName + '.' + e.className); }"""
HOSTILE = [
    "<script>document.title='ran'</script>", '"><img src=x onerror=alert(1)>', "'><svg onload=alert(1)>",
    "</bdi></td></tr></table><form action=/x><button>", "&lt;b&gt;&amp;amp;&#60;", "{{7*7}}${7*7}<%=7*7%>",
    "<!--<textarea><title><plaintext>",
]


class Lab:
    """A bench with its daemon, whose pages are open."""

    def __init__(self, folder, more="", **changed):
        self.folder = folder
        more = '[console]\nlisten = "127.0.0.1:0"\nwall = true\nbadge = "STAFF-"\n' + more
        self.config = folder / "wickline.toml"
        text = configuration(more=more)
        for was, now in changed.items():
            text = text.replace(f'{was} = "none"', now)
        self.config.write_text(text)
        self.daemon = Daemon(self.config)
        self.url = "http://" + self.daemon.ready["console"].replace("127.0.0.1", "localhost")
        self.number = 0

    def person(self, name, role):
        return ask(self.config, "user", "add", name, "--role", role)["code"]

    def strips(self, *specimens, more=""):
        """Runs strips on its analyzer, and waits until they are read."""
        script = self.folder / "script.toml"
        rows = []
        for specimen in specimens:
            self.number += 1
            row = f"[[run]]\nnumber = {json.dumps(str(self.number))}\nspecimen = {json.dumps(specimen)}\n"
            rows.append(row + (CONTROL if specimen.startswith("QC") else "") + more)
        script.write_text("\n".join(rows))
        line = self.daemon.ready["lines"][0]["address"]
        done = subprocess.run(
            [WICKLINE, "simulate", "--connect", line, "--script", str(script), "--speed-up", "0"],
            capture_output=True, text=True, timeout=60,
        )
        assert done.returncode == 0, done.stderr
        for _ in specimens:
            self.daemon.wait_for(lambda e: e["event"] == "report")

    def held(self):
        return [item["id"] for item in ask(self.config, "held")["items"]]

    def acts(self, verb):
        return [row for row in ask(self.config, "trail")["items"] if row["verb"] == verb]


@pytest.fixture(scope="module")
def browser():
    assert shutil.which(BROWSER), f"{BROWSER} is missing: tests/run installs it"
    with sync_playwright() as play:
        one = play.chromium.launch(executable_path=shutil.which(BROWSER), args=["--no-sandbox", "--disable-dev-shm-usage"])
        yield one
        one.close()


@pytest.fixture
def lab(tmp_path):
    lab = Lab(tmp_path)
    yield lab
    lab.daemon.stop()


def opened(browser, lab, name, role, **more):
    """A window in which somebody signed in, and what broke the policy there."""
    context = browser.new_context(viewport={"width": 1280, "height": 800}, **more)
    broken = []
    context.on("console", lambda said: broken.append(said.text) if said.type == "error" else None)
    page = context.new_page()
    page.goto(lab.url + "/first")
    page.fill("#code", lab.person(name, role))
    page.fill("#password", WORD)
    page.fill("#again", WORD)
    page.press("#again", "Enter")
    page.wait_for_url("**/today")
    return page, broken


def focused(page, field):
    """Where the next scan goes: somebody who scans sees the page first."""
    page.wait_for_selector(f"{field}:focus")


def focused_again(page, faked=False):
    """The same before the second scan: within 700 ms it would be a trigger that bounced, and no second look."""
    focused(page, "#s2")
    if faked:
        return page.clock.run_for(750)
    age = "performance.now() - performance.getEntriesByType('navigation')[0].domContentLoadedEventStart"
    while page.evaluate(age) < 750:
        time.sleep(0.02)


def scan(page, text, gap=10, end="Enter"):
    """Types as a scanner does, by the page's own clock."""
    for letter in text:
        page.keyboard.press(letter)
        page.clock.run_for(gap)
    if end:
        page.keyboard.press(end)
    page.clock.run_for(200)


def good_for_everybody(page, lab, paths):
    """Judges pages in both themes and at five widths."""
    found = {}
    for theme in ["light", "dark"]:
        page.emulate_media(color_scheme=theme)
        for path in paths:
            page.set_viewport_size({"width": 1280, "height": 800})
            assert page.goto(lab.url + path).status == 200, path
            page.evaluate(AXE + ";0")
            judged = page.evaluate("rules => axe.run({runOnly: rules})", RULES)
            wrong = [f"{one['id']}: {one['nodes'][0]['html'][:120]}" for one in judged["violations"]]
            assert judged["passes"], "nothing was judged"
            if wrong:
                found[theme, path] = wrong
            for width in [1280, 1024, 640, 390, 320]:
                page.set_viewport_size({"width": width, "height": 800})
                wide = page.evaluate(WIDE)
                if wide:
                    found[theme, path, width] = wide[:5]
    assert not found, json.dumps({str(k): v for k, v in found.items()}, indent=1)


def test_every_page_is_good_for_everybody_at_both_widths_and_in_both_themes(browser, lab, tmp_path):
    lab.strips("KP-20417", "", "KP-20419")
    page, broken = opened(browser, lab, "J. Mast", "keeper")
    held = lab.held()[0]
    paths = ["/today", "/held", f"/held/{held}", "/report/1", "/queue", "/day", "/controls", "/line",
             "/mapping", "/trail", "/people", "/me", "/wall"]
    good_for_everybody(page, lab, paths)
    # Words of the page: one head, one main, the numbers are the heads of their rows.
    page.goto(lab.url + "/today")
    assert page.locator("h1").count() == 1 and page.locator("main").count() == 1
    assert page.locator("tbody tr").count() == page.locator("tbody th[scope=row]").count() > 0
    # The language that the person chose.
    page.goto(lab.url + "/me")
    page.select_option("select[name=language]", "pt")
    page.click("button[value=choices]")
    assert page.text_content("h1") == "Para si"
    assert page.get_attribute("html", "lang") == "pt"
    assert not broken, broken


def test_five_blank_ids_take_ten_scans_and_nothing_else(browser, lab):
    lab.strips("", "", "", "", "")
    page, broken = opened(browser, lab, "R. Olsen", "technologist")
    page.clock.install()
    page.goto(f"{lab.url}/held/{lab.held()[-1]}")
    page.goto(f"{lab.url}/held/{sorted(lab.held(), key=int)[0]}")
    page.clock.pause_at(page.evaluate("Date.now()") / 1000 + 1)
    for n in range(5):
        tube = f"KP-3000{n + 1}"
        focused(page, "#s1")
        with page.expect_navigation():
            scan(page, tube)
        # A trigger that bounces is no second look.
        focused(page, "#s2")
        if n == 0:
            scan(page, tube)
            assert page.input_value("#s2") == "" and len(lab.held()) == 5
        focused_again(page, faked=True)
        with page.expect_navigation():
            scan(page, tube)
    assert lab.held() == []
    assert len(lab.acts("identify")) == 5
    assert page.text_content(".say p") == "Nothing is held."
    assert not broken, broken


def test_two_different_tubes_change_nothing(browser, lab):
    lab.strips("", "KP-20417")
    page, _ = opened(browser, lab, "R. Olsen", "technologist")
    page.goto(f"{lab.url}/held/{lab.held()[0]}")
    focused(page, "#s1")
    page.keyboard.type("KP-30001")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    focused_again(page)
    assert page.input_value("#s1") == "KP-30001"
    page.keyboard.type("KP-30010")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    assert "differ" in page.text_content("#told")
    # A tube that has a result already is said before the second scan.
    page.goto(f"{lab.url}/held/{lab.held()[0]}")
    focused(page, "#s1")
    page.keyboard.type("KP-20417")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    assert "has a result already today" in page.text_content("main")
    assert len(lab.held()) == 1 and not lab.acts("identify")


def test_a_scan_anywhere_finds_and_never_acts(browser, lab):
    lab.strips("KP-20417", "", "hqdtrp-1")
    page, broken = opened(browser, lab, "R. Olsen", "technologist")
    asked = []
    page.on("request", lambda r: asked.append(f"{r.method} {r.url.removeprefix(lab.url)}") if r.is_navigation_request() else None)
    page.clock.install()
    for path in ["/today", "/held", "/queue", "/day", "/trail", "/me", "/report/1"]:
        for end, gap, lead in [("Enter", 10, ""), ("Tab", 10, ""), (None, 10, ""), ("Enter", 30, ""), ("Enter", 10, "]C1")]:
            page.goto(lab.url + path)
            page.clock.pause_at(page.evaluate("Date.now()") / 1000 + 1)
            page.evaluate("document.activeElement.blur()")
            asked.clear()
            with page.expect_navigation():
                scan(page, lead + "KP-20417", gap, end)
            page.wait_for_load_state()
            posts = [one for one in asked if one.startswith("POST")]
            assert posts == ["POST /find"], (path, end, gap, asked)
            if not lead:
                assert page.url.endswith("/report/1"), page.url
            page.clock.resume()
    # Letters that are keys of pages open none of them: typed slowly, fast, and as a scan.
    page.goto(lab.url + "/today")
    page.clock.pause_at(page.evaluate("Date.now()") / 1000 + 1)
    for gap in [5, 36, 79, 81, 120]:
        asked.clear()
        for letter in "hqd":
            page.keyboard.press(letter)
            page.clock.run_for(gap)
        page.clock.run_for(300)
        assert asked == [], (gap, asked)
    # With Alt they do.
    with page.expect_navigation():
        page.keyboard.press("Alt+h")
    assert page.url.endswith("/held")
    # No act was done by any of it.
    assert not lab.acts("identify") and not lab.acts("release") and not lab.acts("set-aside")
    assert not broken, broken


def test_everything_works_without_script(browser, lab):
    lab.strips("", "KP-20417")
    page, _ = opened(browser, lab, "R. Olsen", "technologist", java_script_enabled=False)
    page.goto(f"{lab.url}/held/{lab.held()[0]}")
    focused(page, "#s1")
    page.keyboard.type("KP-30001")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    focused(page, "#s2")
    page.keyboard.type("KP-30001")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    assert "Number 1 has the specimen id KP-30001" in page.text_content("#told")
    assert lab.held() == []
    page.fill("#find", "KP-30001")
    with page.expect_navigation():
        page.press("#find", "Enter")
    assert "/report/" in page.url and "KP-30001" in page.text_content("h2")
    page.click("text=Sign out")
    page.wait_for_url("**/login")
    page.goto(lab.url + "/today")
    assert "/login" in page.url


def test_what_comes_stands_on_the_open_page_by_itself_but_not_under_the_hand(browser, lab):
    lab.strips("KP-20417")
    page, broken = opened(browser, lab, "R. Olsen", "technologist")
    page.locator(".live b", has_text="Page current").wait_for(timeout=15000)
    lab.strips("KP-20418")
    page.wait_for_selector("text=KP-20418", timeout=15000)
    # Somebody writes: what stands under the hand stays, and is not lost.
    lab.strips("")
    page.goto(f"{lab.url}/held/{lab.held()[0]}")
    page.fill("#s1", "KP-3")
    swaps = page.evaluate("document.documentElement.dataset.swaps || '0'")
    lab.strips("KP-20419")
    page.wait_for_selector(".live[data-newer]", timeout=15000)
    assert page.input_value("#s1") == "KP-3"
    assert page.evaluate("document.documentElement.dataset.swaps || '0'") == swaps
    # It is not said to be current, however often the daemon is heard; and it is as soon as the hand is gone.
    assert page.text_content(".live b") == "Changed since"
    page.evaluate(
        """() => new Promise(done => { let n = 0; const heard = new EventSource('/events');
        heard.addEventListener('beat', () => { if (++n > 1) { heard.close(); done(); } }); })"""
    )
    assert page.text_content(".live b") == "Changed since"
    page.fill("#s1", "")
    page.evaluate("document.activeElement.blur()")
    page.locator(".live b", has_text="Page current").wait_for(timeout=15000)
    # The same where the page could not be fetched.
    page.goto(lab.url + "/today")
    page.locator(".live b", has_text="Page current").wait_for(timeout=15000)
    page.route("**/today", lambda route: route.abort())
    lab.strips("KP-20433")
    page.locator(".live b", has_text="Changed since").wait_for(timeout=15000)
    page.unroute("**/today")
    page.wait_for_selector("text=KP-20433", timeout=15000)
    page.locator(".live b", has_text="Page current").wait_for(timeout=15000)
    # The daemon goes: the page says so, and what stood there stays.
    lab.daemon.stop()
    page.wait_for_selector(".live.is-stale", timeout=20000)
    assert "Not live since" in page.text_content(".live")
    lab.daemon = Daemon(lab.config)
    assert all("Content Security" not in one for one in broken), broken


def test_hostile_ids_names_and_reasons_are_text_everywhere(browser, lab):
    ids = [text[:60] for text in HOSTILE] + ["A" * 2000]
    lab.strips(*ids)
    page, broken = opened(browser, lab, "O'<b>Neil</b> & Co", "keeper")
    plain = {}
    for path in ["/today", "/held", "/day", "/trail", "/line", "/people", "/report/1", "/me"]:
        page.goto(lab.url + path)
        plain[path] = page.evaluate(
            """() => ({scripts: document.scripts.length, on: [...document.querySelectorAll('*')].filter(e =>
            [...e.attributes].some(a => a.name.startsWith('on'))).length, images: document.images.length, inside:
            [...document.querySelectorAll('bdi')].filter(b => b.childElementCount > 0).length, title: document.title,
            foreign: [...document.forms].filter(f => new URL(f.action).pathname === '/x').length})"""
        )
        assert page.evaluate(WIDE) == [], path
    for path, seen in plain.items():
        assert (seen["scripts"], seen["on"], seen["images"], seen["inside"], seen["foreign"]) == (1, 0, 0, 0, 0), (path, seen)
        assert seen["title"].endswith("· Wickline"), seen
    page.goto(lab.url + "/people")
    assert "O'<b>Neil</b> & Co" in page.text_content("main")
    assert not broken, broken


def test_the_day_sheet_prints_on_paper_without_fields_or_buttons(browser, lab):
    lab.strips("KP-20417", "KP-20418")
    page, _ = opened(browser, lab, "J. Mast", "technologist")
    page.goto(lab.url + "/day")
    page.emulate_media(media="print")
    seen = page.evaluate(
        "() => [...document.querySelectorAll('nav, form, button, input, .act')].filter(e => e.checkVisibility()).length"
    )
    assert seen == 0
    paper = lab.folder / "day.pdf"
    page.pdf(path=str(paper), format="A4")
    text = subprocess.run(["pdftotext", "-layout", str(paper), "-"], capture_output=True, text=True, check=True).stdout
    assert "KP-20417" in text and "holds specimen ids" in text
    assert "Sign out" not in text
    # A sheet upright has every column of the screen.
    assert re.search(r"\bclass\b.*\btaken\b", text), text


def printed(page, lab):
    """The texts of the sheets that a page makes on A4 paper."""
    paper = lab.folder / "page.pdf"
    page.pdf(path=str(paper), prefer_css_page_size=True)
    text = subprocess.run(["pdftotext", "-layout", str(paper), "-"], capture_output=True, text=True, check=True).stdout
    return text.rstrip("\f").split("\f")


def test_controls_charts_reviews_positivity_and_the_care_log_are_good_for_everybody(browser, tmp_path):
    lab = Lab(tmp_path, CARED, controls=RULED)
    try:
        lab.strips(*["QC-L1"] * 8, "KP-20417", "KP-20418")
        lab.strips("QC-L1", more="[run.rungs]\nGLU = 3\n")
        page, broken = opened(browser, lab, "J. Mast", "keeper")
        month = page.evaluate("new Date().toISOString().slice(0, 7)")
        page.goto(lab.url + "/controls")
        page.click("text=Note what was done")
        page.fill("form[action='/controls/note'] input[name=reason]", "vial warmed up <b>")
        page.click("text=Note it")
        page.wait_for_selector("td .hand >> text=vial warmed up <b>")
        page.goto(lab.url + "/care")
        page.click("summary:has-text('Sign')")
        page.click("button:has-text('Sign for')")
        page.wait_for_selector(".grid .hand >> text=JM")
        paths = ["/controls", "/controls/bench-1/1", "/controls/bench-1/1?runs=90", f"/review/{month}", "/positivity/now"]
        paths += [f"/care/bench-1/{month}", "/today"]
        good_for_everybody(page, lab, paths)
        # All analytes of a level on one sheet of paper, and its table on the next.
        page.goto(lab.url + "/controls/bench-1/1")
        assert page.locator("svg.chart").count() == 10
        sheets = printed(page, lab)
        assert len(sheets) == 2, len(sheets)
        assert all(f"{pad} " in sheets[0] for pad in ["BIL", "GLU", "SG", "URO"]), sheets[0]
        page.goto(lab.url + f"/care/bench-1/{month}")
        assert len(printed(page, lab)) == 1, "a month on one sheet"
        assert not broken, broken
    finally:
        lab.daemon.stop()
