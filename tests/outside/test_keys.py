"""Keys, tabs and sessions in a real browser: every key goes somewhere and none acts; seven tabs of one browser are all
told; a scan into a field for words sends nothing; what was written is not lost with the session."""

from conftest import ask
from test_pages import browser, focused, lab, opened, scan  # noqa: F401 (fixtures)
from test_tls import until


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


def test_a_scan_on_a_ticked_box_finds_and_releases_nothing(browser, lab):
    lab.strips("KP-20417", "KP-20417", "KP-20418")
    page, _ = opened(browser, lab, "R. Olsen", "technologist")
    page.clock.install()
    page.goto(lab.url + "/held")
    box = page.locator("input[type=checkbox]").first
    if box.count() == 0:
        # Nothing of this bench can be released together: a box of the page Yours will do.
        page.goto(lab.url + "/me")
        box = page.locator("input[type=checkbox]").first
    page.clock.pause_at(page.evaluate("Date.now()") / 1000 + 1)
    box.focus()
    with page.expect_navigation():
        scan(page, "KP-20418")
    assert "/report/3" in page.url
    assert not lab.acts("release")


def test_what_became_of_an_act_stays_while_the_page_goes_on(browser, lab):
    lab.strips("KP-20417")
    page, _ = opened(browser, lab, "J. Mast", "keeper")
    page.goto(lab.url + "/people")
    page.fill("section:last-of-type input[name=name]", "R. Olsen")
    with page.expect_navigation():
        page.click("button[value=add]")
    said = page.text_content("#told")
    assert "R. Olsen may come in with this code" in said
    page.evaluate("document.activeElement.blur()")
    before = int(page.evaluate("document.documentElement.dataset.swaps || '0'"))
    lab.strips("KP-20418")
    page.wait_for_function(f"Number(document.documentElement.dataset.swaps || 0) > {before}", timeout=15000)
    assert page.text_content("#told") == said, "a code is shown once: it stays"


def test_what_was_refused_stands_in_its_form_again(browser, lab):
    lab.strips("", "KP-20417")
    page, _ = opened(browser, lab, "R. Olsen", "technologist")
    page.goto(f"{lab.url}/held/{lab.held()[0]}")
    page.keyboard.press("Alt+a")
    page.fill("details[open] input[name=reason]", "KP-20417")
    with page.expect_navigation():
        page.click("details[open] button")
    assert "looks like a scan" in page.text_content("#told")
    assert lab.held() and not lab.acts("set-aside")
    assert page.locator("input[name=reason]").first.input_value() == "KP-20417"
    # To take a result back somebody says whose it is, or that it is nobody's.
    page.goto(lab.url + "/report/2")
    page.click("summary:has-text('Withdraw')")
    page.fill("form[action$='/withdraw'] input[name=reason]", "the wrong tube was scanned")
    with page.expect_navigation():
        page.click("form[action$='/withdraw'] button")
    assert "say that nobody gets them" in page.text_content("#told")
    assert not lab.acts("withdraw")
    assert page.input_value("form[action$='/withdraw'] input[name=reason]") == "the wrong tube was scanned"


def test_the_page_and_the_command_say_one_number(browser, lab):
    lab.strips("", "", "KP-20417", "KP-20419")
    page, _ = opened(browser, lab, "R. Olsen", "technologist")
    wrong = lambda: len([one for one in ask(lab.config, "status")["items"] if one["wrong"]])  # noqa: E731

    def line(path):
        page.goto(lab.url + path)
        return page.text_content(".say p")

    # The line of the simulated analyzer goes down meanwhile: what counts are looks between which nothing changed.
    looks = []

    def at_rest():
        looks[:] = [wrong(), line("/today"), line("/wall"), wrong()]
        return looks[0] == looks[-1]

    until("nothing changes any more", at_rest)
    before, today, wall, _ = looks
    assert today.startswith(f"{before} thing") and wall == today, (before, today, wall)


def test_the_wall_comes_back_by_itself(browser, lab):
    lab.strips("")
    page, broken = opened(browser, lab, "R. Olsen", "technologist")
    page.clock.install()
    page.goto(lab.url + "/wall")
    port = lab.url.rsplit(":", 1)[1]
    lab.daemon.stop()
    page.clock.run_for(16_000)
    page.locator(".is-stale").wait_for(timeout=15000)
    assert "Not live since" in page.text_content(".say")
    text = lab.config.read_text().replace('listen = "127.0.0.1:0"\nwall', f'listen = "127.0.0.1:{port}"\nwall')
    lab.config.write_text(text)
    lab.daemon = type(lab.daemon)(lab.config)
    page.clock.run_for(16_000)
    page.wait_for_selector(".say:not(:has(.is-stale))", timeout=15000)
    assert all("Content Security" not in one for one in broken), broken
