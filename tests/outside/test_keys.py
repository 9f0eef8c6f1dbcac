"""Keys, tabs and sessions in a real browser: every key goes somewhere and none acts; seven tabs of one browser are all
told; a scan into a field for words sends nothing; what was written is not lost with the session."""

from conftest import ask
from test_pages import browser, focused, lab, opened, scan  # noqa: F401 (fixtures)


def test_every_key_goes_where_its_list_says_and_acts_on_nothing(browser, lab):
    lab.strips("KP-20417", "", "KP-20419", "")
    page, broken = opened(browser, lab, "R. Olsen", "technologist")
    posts = []
    page.on("request", lambda r: posts.append(r.url) if r.method == "POST" else None)

    def pressed(key, where):
        with page.expect_navigation():
            page.keyboard.press(key)
        assert where in page.url, (key, page.url)

    for key, where in [("h", "/held"), ("q", "/queue"), ("d", "/day"), ("c", "/controls"), ("r", "/trail"), ("t", "/today")]:
        pressed(f"Alt+{key}", where)
    pressed("Alt+1", f"/held/{lab.held()[0]}")
    # To the field, to the form; nothing is sent.
    page.keyboard.press("Alt+i")
    focused(page, "#s1")
    page.keyboard.press("Alt+a")
    page.wait_for_selector("details[open] input[name=reason]:focus")
    page.keyboard.press("Escape")
    page.wait_for_selector("details:not([open]) > summary:focus")
    page.goto(lab.url + "/report/1")
    pressed("Alt+]", "/report/2")
    pressed("Alt+[", "/report/1")
    page.goto(lab.url + "/day")
    today = page.url
    pressed("Alt+[", "/day/")
    assert page.url != today
    # From a row to the next, and the list of keys.
    page.goto(lab.url + "/today")
    links = page.locator("#sheet .row a.act, #sheet tbody th a")
    links.first.focus()
    page.keyboard.press("ArrowDown")
    assert links.nth(1).evaluate("e => e === document.activeElement")
    page.keyboard.press("ArrowUp")
    assert links.first.evaluate("e => e === document.activeElement")
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("/")
    focused(page, "#find")
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("Alt+?")
    page.wait_for_selector("details.keys[open]")
    assert "Alt+1–7" in page.text_content("details.keys")
    assert posts == []
    # Single keys, for who turned them on: alone and slowly.
    page.goto(lab.url + "/me")
    page.check("input[name=keys]")
    with page.expect_navigation():
        page.click("button[value=choices]")
    posts.clear()
    page.clock.install()
    page.goto(lab.url + "/today")
    page.clock.pause_at(page.evaluate("Date.now()") / 1000 + 1)
    page.keyboard.press("h")
    with page.expect_navigation():
        page.clock.run_for(100)
    assert page.url.endswith("/held") and posts == []
    assert not broken, broken


def test_seven_tabs_of_one_browser_are_all_told(browser, lab):
    lab.strips("KP-20417")
    page, broken = opened(browser, lab, "R. Olsen", "technologist")
    tabs = [page] + [page.context.new_page() for _ in range(6)]
    for tab in tabs:
        tab.goto(lab.url + "/today")
    for tab in tabs:
        tab.locator(".live b", has_text="Page current").wait_for(timeout=15000)
    lab.strips("KP-20418")
    for tab in tabs:
        tab.wait_for_selector("text=KP-20418", timeout=15000)
    # The one that has the stream goes: another takes it over.
    for tab in tabs[:6]:
        tab.close()
    lab.strips("KP-20419")
    tabs[6].wait_for_selector("text=KP-20419", timeout=15000)
    assert all("Content Security" not in one for one in broken), broken


def test_a_scan_into_a_reason_sends_nothing(browser, lab):
    lab.strips("", "KP-20417")
    page, _ = opened(browser, lab, "R. Olsen", "technologist")
    page.clock.install()
    page.goto(f"{lab.url}/held/{lab.held()[0]}")
    page.clock.pause_at(page.evaluate("Date.now()") / 1000 + 1)
    page.keyboard.press("Alt+a")
    page.wait_for_selector("details[open] input[name=reason]:focus")
    scan(page, "KP-20417")
    page.wait_for_selector("#scanned:not([hidden])")
    assert lab.held() and not lab.acts("set-aside")
    # What it is may be looked for.
    with page.expect_navigation():
        page.click("#scanned button")
    assert "/report/2" in page.url
    # Typed by hand a reason goes with Enter as anywhere.
    page.goto(f"{lab.url}/held/{lab.held()[0]}")
    page.keyboard.press("Alt+a")
    page.wait_for_selector("details[open] input[name=reason]:focus")
    for letter in "a second tube came":
        page.keyboard.press(letter)
        page.clock.run_for(90)
    with page.expect_navigation():
        page.keyboard.press("Enter")
    assert lab.acts("set-aside")[0]["reason"] == "a second tube came"


def test_who_is_silent_is_warned_and_may_stay_and_nothing_written_is_lost(browser, lab):
    lab.strips("", "KP-20417")
    page, _ = opened(browser, lab, "R. Olsen", "technologist")
    page.clock.install()
    page.goto(f"{lab.url}/held/{lab.held()[0]}")
    assert page.get_attribute("html", "data-idle") == "600"
    page.clock.run_for(530_000)
    assert page.is_hidden("#stay")
    page.clock.run_for(15_000)
    page.wait_for_selector("#stay:not([hidden])")
    with page.expect_response("**/beat"):
        page.click("#stay button")
    page.clock.run_for(2_000)
    page.wait_for_selector("#stay", state="hidden")
    # The session ends elsewhere while somebody writes.
    page.keyboard.press("Alt+a")
    page.fill("details[open] input[name=reason]", "two tubes <b>stood</b> there")
    ask(lab.config, "user", "code", "R. Olsen")
    page.press("details[open] input[name=reason]", "Enter")
    page.wait_for_selector("text=Your session has ended")
    assert "two tubes <b>stood</b> there" in page.text_content("main")
    assert not lab.acts("set-aside")
