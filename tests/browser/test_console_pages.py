"""The pages in a real browser: readable by everyone, at every width, by themselves up to date."""

from __future__ import annotations

import re
from typing import Literal

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, Route, expect

from tests.browser.conftest import HEIGHT, PASSWORD, PERSON, Seen, Site

pytestmark = pytest.mark.browser

# WCAG 2.0 to 2.2, levels A and AA, as axe tags them.
RULES = {"runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa"]}}
# How wide, and in which colours: on a desk by day, on a phone by night and by day.
LOOKS: list[tuple[int, Literal["light", "dark"]]] = [(1280, "light"), (360, "dark")]
# The page asks anew every four seconds of the browser's clock, which the tests set forward.
REFRESH_MS = 4_000
# The page for visitors asks less often: many phones have it open.
VISITORS_REFRESH_MS = 15_000
SLOW_MS = 20_000


def require_accessible(page: Page) -> None:
    """No violation that axe can find, and nothing that a narrow screen would cut off (WCAG 2.2, 1.4.10)."""
    page.wait_for_load_state()  # what has no style yet is judged wrongly
    results = Axe().run(page, options=RULES)
    assert results.violations_count == 0, results.generate_report()
    assert len(results.response["passes"]) > 10  # it did look
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def require_accessible_everywhere(page: Page) -> None:
    """The same at every width and in all colours; the page is a phone's by day after that."""
    for width, scheme in LOOKS:
        page.set_viewport_size({"width": width, "height": HEIGHT})
        page.emulate_media(color_scheme=scheme)
        require_accessible(page)


def require_accessible_in_portuguese(page: Page) -> None:
    """The same in the other language, on a phone; then the page is English again."""
    page.get_by_role("link", name="Português").click()
    expect(page.locator("html")).to_have_attribute("lang", "pt")
    require_accessible(page)
    page.get_by_role("link", name="English").click()
    expect(page.locator("html")).to_have_attribute("lang", "en")


def open_with_a_clock(page: Page) -> None:
    """Open the console; from now on its clock can be set forward."""
    page.clock.install()
    page.goto("/")


def sign_in(page: Page) -> None:
    page.get_by_label("Name").fill(PERSON)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()


def say_when(page: Page, name: str, civil: str) -> None:
    page.get_by_label("What it is called").fill(name)
    page.get_by_label("Id, for addresses").fill(name.lower().replace(" ", "-"))
    page.get_by_label("Venue").select_option("quay")
    page.get_by_label("Local date and time").fill(civil)
    page.get_by_role("button", name="See what that means").click()


def test_the_judge_can_say_no(desk: Seen) -> None:
    desk.page.set_content("<title>x</title><body style='color: #ccc'><p>pale</p><img src='data:,'>")
    assert Axe().run(desk.page, options=RULES).violations_count >= 3  # no language, no contrast, no alternative text


def test_the_console_is_accessible(phone: Seen) -> None:
    phone.page.goto("/")
    expect(phone.page.get_by_role("heading", name="Quay House")).to_be_visible()
    expect(phone.page.get_by_role("heading", name="The Boat Shed")).to_be_visible()
    require_accessible_everywhere(phone.page)
    assert phone.page.evaluate("document.getAnimations().length") == 0


def test_the_season_is_accessible_and_as_wide_as_its_screen(phone: Seen) -> None:
    phone.page.goto("/season?from=2026-03&months=2")
    expect(phone.page.get_by_role("heading", name="March to April 2026")).to_be_visible()
    expect(phone.page.get_by_role("group", name="Runs of Wren 1")).to_be_visible()
    require_accessible_everywhere(phone.page)
    phone.page.goto("/machines/wren-1/paper?from=2026-03-20&days=1")
    expect(phone.page.get_by_role("img", name="The paper of Wren 1 along time")).to_be_visible()
    require_accessible_everywhere(phone.page)
    phone.page.get_by_label("Your clock").select_option("Asia/Kathmandu")
    phone.page.get_by_role("button", name="Show").click()
    expect(phone.page.get_by_text("17:45 on Fri 20 Mar 2026 by your clock")).to_be_visible()
    require_accessible_everywhere(phone.page)
    phone.page.goto("/season?from=2026-03&months=2")
    expect(phone.page.get_by_text("below also by yours, Asia/Kathmandu")).to_be_visible()
    require_accessible_everywhere(phone.page)


def test_openings_and_runs_are_moved_along_the_season(desk: Seen) -> None:
    """By pointer and by keys; the form begins with the new times, and nothing is kept."""
    page = desk.page
    page.goto("/sign-in")
    sign_in(page)
    page.goto("/season?from=2026-03&months=1")
    opening, said = page.locator("svg.dates a[data-page]").first, page.locator("#moved")
    box, track = opening.bounding_box(), page.locator("svg.bars").first.bounding_box()
    assert box is not None and track is not None
    day, x, y = track["width"] / 31, box["x"] + 5, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 3.2 * day, y, steps=4)
    expect(said).to_have_text("Tue, 24 Mar 2026, 19:00, 3 days later")
    page.keyboard.press("Escape")
    page.mouse.move(x + 4.2 * day, y, steps=2)
    page.mouse.up()
    page.wait_for_url("**/openings/first-night/change?civil=2026-03-25T19%3A00")
    expect(page.get_by_label("Local date and time")).to_have_value("2026-03-25T19:00")
    page.go_back()
    run = page.get_by_label(re.compile("on Wren 1, from"))
    run.focus()
    page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press("ArrowLeft")
    expect(said).to_contain_text("6 days later")
    page.keyboard.press("Enter")
    page.wait_for_url("**/runs/spring/end?at=2026-03-29T12%3A00")
    page.go_back()
    page.mouse.click(track["x"] + 27.5 * day, track["y"] + 5)
    page.wait_for_url("**/runs/new?machine=wren-1&starts=2026-03-28T12%3A00")
    expect(page.get_by_label("On which machine")).to_have_value("wren-1")


def test_the_visitors_page_fills_a_wall(desk: Seen) -> None:
    desk.page.set_viewport_size({"width": 1920, "height": 1080})
    desk.page.goto("/machines/wren-1/now?wall")
    expect(desk.page.get_by_role("heading", name="Land")).to_be_visible()
    expect(desk.page.get_by_role("button")).to_have_count(0)
    require_accessible_everywhere(desk.page)


def test_the_console_shows_pictures_and_not_their_absence(desk: Seen) -> None:
    desk.page.goto("/")
    strip = desk.page.get_by_role("img", name="Its paper to scale")
    expect(strip).to_be_visible()
    assert strip.locator("line.due").count() == 1 and strip.locator("line.boundary").count() > 1
    address = strip.locator("image.laid").get_attribute("href")
    shown = desk.page.evaluate(
        "address => { const i = new Image(); i.src = address; return i.decode().then(() => i.naturalWidth) }", address
    )
    assert shown == 1400
    expect(desk.page.get_by_role("img", name="Day and night now: the Sun stands over")).to_be_visible()
    with desk.page.expect_response(lambda answer: "/plates/" in answer.url) as plate:
        desk.page.reload()
    assert plate.value.status in (200, 304)


def test_the_page_keeps_itself_up_to_date(desk: Seen, site: Site) -> None:
    open_with_a_clock(desk.page)
    shown = desk.page.locator("image.laid")
    before = shown.get_attribute("href")
    assert before is not None
    site.report(1)
    desk.page.clock.run_for(REFRESH_MS)
    expect(shown).not_to_have_attribute("href", before, timeout=SLOW_MS)
    expect(desk.page.locator("#summary")).to_have_attribute("role", "status")


def test_the_page_can_be_held_still(desk: Seen, site: Site) -> None:
    open_with_a_clock(desk.page)
    hold = desk.page.get_by_role("button", name="Hold the page still")
    hold.click()
    expect(hold).to_have_attribute("aria-pressed", "true")
    asked = len(desk.asked)
    shown = desk.page.locator("image.laid")
    before = shown.get_attribute("href")
    site.report(1)
    desk.page.clock.run_for(2 * REFRESH_MS)
    desk.page.wait_for_timeout(500)  # in which what was asked for would have come
    assert shown.get_attribute("href") == before
    assert len(desk.asked) == asked
    hold.click()
    desk.page.clock.run_for(REFRESH_MS)
    expect(shown).not_to_have_attribute("href", str(before), timeout=SLOW_MS)


def test_the_page_asks_less_often_where_answers_take_long(desk: Seen) -> None:
    open_with_a_clock(desk.page)
    asked: list[Route] = []
    desk.page.route("**/overview", lambda route: asked.append(route))
    with desk.page.expect_request("**/overview"):
        desk.page.clock.run_for(REFRESH_MS)
    desk.page.clock.run_for(REFRESH_MS)  # so long the answer takes
    with desk.page.expect_response("**/overview", timeout=SLOW_MS):
        asked[0].continue_()
    desk.page.wait_for_timeout(500)  # in which it is put in place
    desk.page.clock.run_for(2 * REFRESH_MS)
    desk.page.wait_for_timeout(500)  # in which what was asked for would have been
    assert len(asked) == 1
    desk.page.unroute("**/overview")
    with desk.page.expect_response("**/overview", timeout=SLOW_MS):
        desk.page.clock.run_for(6 * REFRESH_MS)


def test_the_page_says_when_the_server_is_gone(desk: Seen) -> None:
    open_with_a_clock(desk.page)
    desk.page.route("**/overview", lambda route: route.abort())
    desk.page.clock.run_for(REFRESH_MS)
    expect(desk.page.locator("#asof")).to_contain_text("no answer", timeout=SLOW_MS)
    desk.page.unroute("**/overview")
    desk.page.clock.run_for(REFRESH_MS)
    expect(desk.page.locator("#asof")).not_to_contain_text("no answer", timeout=SLOW_MS)
    assert all("ERR_FAILED" in error for error in desk.errors)
    desk.errors.clear()


def test_without_a_script_the_page_is_whole(site: Site, desk: Seen) -> None:
    context = desk.page.context.browser
    assert context is not None
    plain = context.new_context(java_script_enabled=False)
    page = plain.new_page()
    page.goto(site.address)
    expect(page.get_by_role("heading", name="Quay House")).to_be_visible()
    expect(page.get_by_role("button", name="Hold the page still")).not_to_be_visible()
    plain.close()


def test_a_keyboard_reaches_the_content_first(desk: Seen) -> None:
    desk.page.goto("/")
    desk.page.keyboard.press("Tab")
    expect(desk.page.get_by_role("link", name="Skip to the content")).to_be_focused()
    desk.page.keyboard.press("Enter")
    expect(desk.page.locator("#main")).to_be_focused()


def test_an_opening_at_a_time_that_comes_twice(phone: Seen) -> None:
    page = phone.page
    page.goto("/openings/new")
    require_accessible_everywhere(page)  # the page to sign in
    sign_in(page)
    expect(page.get_by_role("heading", name="Fix an opening")).to_be_visible()
    require_accessible_everywhere(page)

    name = "Twice"
    say_when(page, name, "2026-10-25T01:30")
    expect(page.get_by_text("is shown twice in Europe/Lisbon")).to_be_visible()
    require_accessible_everywhere(page)

    page.get_by_label("The later: 2026-10-25 01:30 WET").check()
    page.get_by_role("button", name="See what that means").click()
    expect(page.get_by_text("2026-10-25 01:30:00 UTC")).to_be_visible()
    expect(page.get_by_text("15:15")).to_be_visible()  # in Chatham's summer time
    require_accessible_everywhere(page)

    page.get_by_role("button", name="Fix this opening").click()
    expect(page.get_by_text(f"{name} is fixed.")).to_be_visible()
    expect(page.get_by_role("heading", name=name, exact=True)).to_be_visible()
    require_accessible_everywhere(page)


def test_an_opening_by_the_sky(desk: Seen) -> None:
    page = desk.page
    page.goto("/openings/new")
    sign_in(page)
    page.get_by_label("What it is called").fill("Dusk")
    page.get_by_label("Id, for addresses").fill("dusk")
    page.get_by_label("Venue").select_option("quay")
    page.get_by_label("By the sky there").check()
    expect(page.get_by_label("Local date and time")).not_to_be_visible()
    page.get_by_label("Minutes").fill("40")
    page.get_by_label("Before or after").select_option("before")
    page.get_by_label("Event").select_option("sunset")
    page.get_by_label("Local date", exact=True).fill("2026-06-21")
    page.get_by_role("button", name="See what that means").click()
    expect(page.get_by_role("heading", name="That is 40 min before sunset")).to_be_visible()
    page.get_by_role("button", name="Fix this opening").click()
    expect(page.get_by_text("Dusk is fixed.")).to_be_visible()


def test_the_api_s_page_works_from_this_server_alone(desk: Seen) -> None:
    desk.page.goto("/api/v1/reference")
    desk.page.get_by_role("link", name="node", exact=True).click()
    desk.page.get_by_text("GET /api/v1/node/work").click()
    desk.page.get_by_role("link", name="Work", exact=True).first.click()
    expect(desk.page.get_by_text("Its fields").first).to_be_visible()


def test_setting_a_venue_s_hours(phone: Seen) -> None:
    page = phone.page
    page.goto("/")
    page.get_by_role("link", name="Hours of Quay House", exact=True).click()
    sign_in(page)
    expect(page.get_by_role("heading", name="Hours of Quay House")).to_be_visible()
    require_accessible_everywhere(page)

    page.get_by_label("Tuesday").fill("10 to 6")
    page.get_by_role("button", name="See what that means").click()
    expect(page.get_by_text("is no local time")).to_be_visible()
    require_accessible_everywhere(page)

    page.get_by_label("Tuesday").fill("10:00-13:00, 14:00-18:00")
    page.get_by_label("Dates that differ").fill("2026-12-24")
    page.get_by_role("button", name="See what that means").click()
    require_accessible_everywhere(page)
    page.get_by_role("button", name="Yes, keep it so").or_(page.get_by_role("button", name="Keep it so")).click()
    expect(page.get_by_text("The hours of Quay House are set.")).to_be_visible()
    require_accessible_everywhere(page)


def test_a_password_that_will_not_do(phone: Seen) -> None:
    page = phone.page
    page.goto("/new-password")
    sign_in(page)
    expect(page.get_by_role("heading", name="Another password")).to_be_visible()
    require_accessible_everywhere(page)

    page.get_by_label("The one until now").fill(PASSWORD)
    for label in ("The new one", "The new one again"):
        page.get_by_label(label, exact=True).fill("quay house 7")
    page.get_by_role("button", name="Take the new one").click()
    expect(page.get_by_text("made of words that are tried here first")).to_be_visible()
    require_accessible_everywhere(page)


def test_deciding_on_an_outage(site: Site, phone: Seen) -> None:
    """A person at the machine paused it; what each choice would mean is seen before one is made."""
    page = phone.page
    site.act("pause")
    page.goto("/")
    expect(page.get_by_text("paused; to be resumed there")).to_be_visible()
    require_accessible_everywhere(page)
    page.get_by_role("link", name="Decide what becomes of the outage of Wren 1").click()
    sign_in(page)
    expect(page.get_by_role("heading", name="What each choice would mean")).to_be_visible()
    expect(page.get_by_role("heading", name="Before a machine prints on with nobody there")).to_be_visible()
    expect(page.get_by_role("img", name="The strip: what was printed before")).to_have_count(5)
    require_accessible_everywhere(page)
    require_accessible_in_portuguese(page)

    page.get_by_label("The newest: how much").fill("0.5")
    page.get_by_label("The half-printed segment").select_option("finish")
    page.get_by_role("button", name="See what each would mean").click()
    expect(page.get_by_label("The newest: how much")).to_have_value("0.5")
    require_accessible_everywhere(page)

    page.get_by_role("button", name="Decide").click()
    page.get_by_label("Print the newest of it late").check()
    page.get_by_label("Why, for the record").fill("the doors are open")
    page.get_by_role("button", name="Decide").click()
    expect(page.get_by_text("It is decided.")).to_be_visible()
    assert site.call("GET", "overrides?limit=1000")["results"][-1]["reason"] == "the doors are open"
    site.act("resume")


def test_the_page_to_decide_needs_no_script(site: Site, desk: Seen) -> None:
    site.act("pause")
    context = desk.page.context.browser
    assert context is not None
    plain = context.new_context(java_script_enabled=False)
    page = plain.new_page()
    page.goto(f"{site.address}runs/spring/decide?half_printed=again&within=2&unit=turns")
    sign_in(page)
    expect(page.get_by_label("The half-printed segment")).to_have_value("again")
    page.get_by_label("Leave out, and feed blank paper").check()
    page.get_by_role("button", name="Decide").click()
    expect(page.get_by_text("It is decided.")).to_be_visible()
    plain.close()
    site.act("resume")


def test_a_visitor_asks_when_a_place_is_printed(site: Site, phone: Seen) -> None:
    page = phone.page
    page.goto("/")
    page.get_by_role("link", name="For visitors of Wren 1").click()
    expect(page.get_by_role("heading", name="Land", exact=True)).to_be_visible()
    expect(page.get_by_text("Here, 9.1° W, is printed between 12:36 and 12:40 on Sat 21 Mar 2026.")).to_be_visible()
    expect(page.get_by_role("img", name="Land, one turn; marked is where the head belongs now")).to_be_visible()
    require_accessible_everywhere(page)

    place = page.get_by_label("A place: its name, or its longitude")
    place.fill("east 400")
    page.keyboard.press("Enter")
    expect(page.get_by_role("alert")).to_contain_text("“east 400” is not understood")
    require_accessible_everywhere(page)

    place.fill("15 E")
    page.get_by_role("button", name="Tell me when").click()
    expect(page.get_by_text("15.0° E is printed between 11:00 and 11:04 on Sat 21 Mar 2026.")).to_be_in_viewport()
    page.get_by_role("link", name="Português").click()
    expect(page.get_by_text("15,0° E é impresso entre as 11:00 e as 11:04 de Sáb, 21 de Mar de 2026.")).to_be_visible()
    require_accessible_in_portuguese(page)

    site.act("pause")
    page.reload()
    expect(page.get_by_role("status")).to_have_text("The machine stands still: somebody here has paused it.")
    require_accessible_everywhere(page)
    site.act("resume")


def test_the_page_for_visitors_keeps_itself_up_to_date_and_what_they_typed(site: Site, desk: Seen) -> None:
    page = desk.page
    page.clock.install()
    page.goto("/machines/wren-1/now?place=15+E")
    page.get_by_label("A place: its name, or its longitude").fill("52.7")
    site.act("pause")
    page.clock.run_for(VISITORS_REFRESH_MS)
    expect(page.get_by_role("status")).to_contain_text("somebody here has paused it", timeout=SLOW_MS)
    expect(page.get_by_text("15.0° E is printed between")).to_be_visible()
    expect(page.get_by_label("A place: its name, or its longitude")).to_have_value("52.7")
    page.get_by_role("button", name="Hold the page still").click()
    asked = len(desk.asked)
    page.clock.run_for(2 * VISITORS_REFRESH_MS)
    page.wait_for_timeout(500)  # in which what was asked for would have come
    assert len(desk.asked) == asked
    site.act("resume")


def test_a_visitor_needs_no_script(site: Site, desk: Seen) -> None:
    """By name, one of several, a day, another clock; then by a touch on the map of a telephone, and of a desk."""
    context = desk.page.context.browser
    assert context is not None
    plain = context.new_context(java_script_enabled=False, viewport={"width": 360, "height": HEIGHT})
    page = plain.new_page()
    page.goto(f"{site.address}machines/wren-1/now")
    expect(page.get_by_role("button", name="Hold the page still")).not_to_be_visible()
    page.get_by_label("A place: its name, or its longitude").fill("paris")
    page.get_by_label("On a day, if you like").fill("2026-03-22")
    page.get_by_label("And by your clock").select_option("America/St_Johns")
    page.get_by_role("button", name="Tell me when").click()
    page.get_by_role("link", name="Paris, France").click()
    expect(page.get_by_text("Paris, France, 2.3° E, is printed between 11:48 and 11:52")).to_be_visible()
    expect(page.get_by_role("list", name="Sun 22 Mar 2026")).to_contain_text("By your clock between 09:18 and 09:22")
    for width, longitude in ((360, "44.4° W"), (1280, "44.8° W")):
        page.set_viewport_size({"width": width, "height": HEIGHT})
        touched = page.get_by_role("button", name="A map of the world: touch a place to ask about it")
        box = touched.bounding_box()
        assert box is not None and box["x"] + box["width"] <= width
        touched.click(position={"x": box["width"] * 0.375, "y": 40})
        expect(page.get_by_text(f"{longitude} is printed between")).to_be_visible()
        expect(page.get_by_role("list", name="Sun 22 Mar 2026")).to_be_visible()
    plain.close()


def test_the_browsers_own_zone_is_proposed_and_nothing_asked_with_it(site: Site, desk: Seen) -> None:
    browser = desk.page.context.browser
    assert browser is not None
    there = browser.new_context(timezone_id="Pacific/Chatham")
    page = there.new_page()
    page.goto(f"{site.address}machines/wren-1/now?place=Tokyo")
    expect(page.get_by_label("And by your clock")).to_have_value("Pacific/Chatham")
    expect(page.get_by_text("By your clock between")).to_have_count(0)
    page.get_by_role("button", name="Tell me when").click()
    expect(page.get_by_text("By your clock between").first).to_be_visible()
    there.close()


def test_today_s_sheet(site: Site, phone: Seen) -> None:
    page = phone.page
    page.goto("/")
    page.get_by_role("link", name="Today's sheet of Quay House").click()
    expect(page.get_by_role("heading", name="Today at Quay House")).to_be_visible()
    expect(page.get_by_role("heading", name="Arm the knife")).to_be_visible()
    expect(page.get_by_role("link", name="Next service window: Tuesday rounds, between 10:00")).to_be_visible()
    expect(page.get_by_role("link", name="+351 21 555 01 42")).to_be_visible()
    expect(page.get_by_role("img", name="The address of the panel of Wren 1 as a QR code")).to_be_visible()
    require_accessible_everywhere(page)
    require_accessible_in_portuguese(page)
    site.act("park")
    page.reload()
    expect(page.get_by_role("heading", name="End the service and let it go on")).to_be_visible()
    require_accessible_everywhere(page)
    site.act("resume")


def test_today_s_sheet_is_printed_on_one_sheet(site: Site, desk: Seen) -> None:
    for code in ("pt", "en"):
        desk.page.goto(f"/venues/quay/today?language={code}")
        for paper in ("A4", "Letter"):
            printed = desk.page.pdf(format=paper)
            assert len(re.findall(rb"/Type /Page\b", printed)) == 1, (code, paper)
    desk.page.emulate_media(media="print")
    expect(desk.page.get_by_role("link", name="Sign in")).not_to_be_visible()
    expect(desk.page.get_by_text("Nobody's hands may be near it").first).to_be_visible()


def test_fixing_a_service_window_and_calling_off_one_date_of_it(phone: Seen) -> None:
    page = phone.page
    page.goto("/")
    page.get_by_role("link", name="Service windows of Quay House").click()
    expect(page.get_by_text("between 10:00 and 11:30 on Tue 24 Mar 2026")).to_be_visible()
    page.get_by_role("link", name="Fix a service window").click()
    sign_in(page)
    expect(page.get_by_role("heading", name="Fix a service window of Quay House")).to_be_visible()
    expect(page.get_by_label("How many minutes it lasts")).not_to_be_visible()
    expect(page.get_by_label("Local date and time")).not_to_be_visible()
    require_accessible_everywhere(page)

    page.get_by_label("What it is called").fill("Saturday rounds")
    page.get_by_label("Id, for addresses").fill("saturday-rounds")
    page.get_by_label("Weekday").select_option("saturday")
    page.get_by_label("From").fill("10:00")
    page.get_by_label("To", exact=True).fill("half past")
    page.get_by_role("button", name="See what that means").click()
    expect(page.get_by_text("'half past' is no local time")).to_be_visible()
    expect(page.get_by_label("From")).to_have_value("10:00")
    require_accessible_everywhere(page)

    page.get_by_label("To", exact=True).fill("11:30")
    page.get_by_role("button", name="See what that means").click()
    expect(page.get_by_role("heading", name="It comes every Saturday from 10:00 to 11:30")).to_be_visible()
    expect(page.get_by_text("between 09:00 and 10:30 on Sat 4 Apr 2026 UTC")).to_be_visible()  # in summer time
    require_accessible_everywhere(page)
    page.get_by_role("button", name="Fix this window").click()
    expect(page.get_by_text("Saturday rounds is fixed.")).to_be_visible()
    require_accessible_everywhere(page)

    page.get_by_role("link", name="Call off Saturday rounds").click()
    expect(page.get_by_role("heading", name="When it comes next")).to_be_visible()
    require_accessible_everywhere(page)
    page.get_by_label("Local date on which it would begin").fill("2026-03-29")
    page.get_by_role("button", name="See what that means").click()
    expect(page.get_by_text("2026-03-29 is not a Saturday")).to_be_visible()
    require_accessible_everywhere(page)
    page.get_by_label("Local date on which it would begin").fill("2026-03-28")
    page.get_by_label("Why, for the record").fill("a holiday")
    page.get_by_role("button", name="See what that means").click()
    expect(page.get_by_role("heading", name="It does not come on Sat 28 Mar 2026.")).to_be_visible()
    require_accessible_everywhere(page)
    page.get_by_role("button", name="Call it off").click()
    expect(page.get_by_text("Saturday rounds is called off on Sat 28 Mar 2026.")).to_be_visible()
    expect(page.get_by_text("to 11:30. Called off on Sat 28 Mar 2026.")).to_be_visible()

    page.get_by_role("link", name="Call off Saturday rounds").click()
    page.get_by_label("All of it, from now on and for good").check()
    expect(page.get_by_label("Local date on which it would begin")).not_to_be_visible()
    page.get_by_role("button", name="See what that means").click()
    page.get_by_role("button", name="Call it off").click()
    expect(page.get_by_role("heading", name="Called off")).to_be_visible()
    require_accessible_everywhere(page)


def test_a_service_window_at_a_time_that_comes_twice_without_a_script(site: Site, desk: Seen) -> None:
    context = desk.page.context.browser
    assert context is not None
    plain = context.new_context(java_script_enabled=False)
    page = plain.new_page()
    page.goto(f"{site.address}venues/quay/service-windows/new")
    sign_in(page)
    page.get_by_label("What it is called").fill("New blade")
    page.get_by_label("Id, for addresses").fill("new-blade")
    page.get_by_label("Once, by the clock").check()
    page.get_by_label("Local date and time").fill("2026-10-25T01:30")
    page.get_by_label("How many minutes it lasts").fill("45")
    page.get_by_role("button", name="See what that means").click()
    page.get_by_label("The later: 2026-10-25 01:30 WET").check()
    expect(page.get_by_label("How many minutes it lasts")).to_have_value("45")
    page.get_by_role("button", name="See what that means").click()
    expect(page.get_by_text("between 01:30 and 02:15 on Sun 25 Oct 2026 UTC")).to_be_visible()
    page.get_by_role("button", name="Fix this window").click()
    expect(page.get_by_text("New blade is fixed.")).to_be_visible()
    page.get_by_role("link", name="Call off New blade").click()
    page.get_by_role("button", name="See what that means").click()
    page.get_by_role("button", name="Call it off").click()
    expect(page.get_by_text("New blade is called off.")).to_be_visible()
    plain.close()
