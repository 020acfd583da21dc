"""The desk in a real browser: dragging by mouse, touch and keys, saving, and coming back after kill -9."""

from __future__ import annotations

import json
import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Locator, expect
from playwright.sync_api import Page as BrowserPage

from bench.calibration import load
from tests import ROOT
from tests.browser_support import SCHEMES, WIDTHS, dots_of, open_page, serious_findings, wider_than_window
from tests.desk_support import TRACES, Program, copy_of_demo, replayed, same_as_replay, wait_for

pytestmark = pytest.mark.slow


@pytest.fixture
def state(tmp_path: Path) -> Path:
    return tmp_path / "state"


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return copy_of_demo(tmp_path)


@pytest.fixture
def program(state: Path, file: Path) -> Iterator[Program]:
    with Program(state, TRACES / "clean_launch.csv", "--calibration", file) as made:
        yield made


def figures(page: BrowserPage) -> dict[str, Any]:
    """The bare numbers that the page shows, by their keys."""
    found = page.locator("[data-figure]").evaluate_all(
        "all => all.map(one => [one.dataset.figure, one.dataset.value])"
    )
    return {key: None if value == "" else json.loads(value) for key, value in found}


def handle(page: BrowserPage, name: str, number: int) -> Locator:
    """A handle of a ceiling; number -1 moves the whole line."""
    return page.locator(f'[data-handle="{name} {number}"]')


def value(of: Locator) -> float:
    return float(of.get_attribute("aria-valuenow") or "nan")


def ready(page: BrowserPage) -> None:
    page.locator("[data-figure=cut]").wait_for()


def middle(of: Locator) -> tuple[float, float]:
    box = of.locator(".knob").bounding_box()
    assert box is not None
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def drag(page: BrowserPage, of: Locator, by: float, steps: int = 8) -> None:
    x, y = middle(of)
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x, y + by, steps=steps)
    page.mouse.up()


def saved(page: BrowserPage, name: str = "") -> None:
    page.get_by_role("button", name="Save …").click()
    if name:
        page.get_by_label("File name").fill(name)
    page.get_by_role("dialog").get_by_role("button", name="Save", exact=True).click()
    expect(page.locator(".bar.fine")).to_contain_text("Saved as")


def test_drag_undo_redo_save_reload_kill_and_start_again(
    browser: Browser, state: Path, file: Path, program: Program
) -> None:
    with open_page(browser, program.address, allowed=program.root) as page:
        ready(page)
        as_before = figures(page)
        same_as_replay(as_before, replayed(file))
        one = handle(page, "reduction_from", 1)
        drag(page, one, 60)
        dragged = value(one)
        assert dragged < 185
        page.wait_for_function(
            f"() => Number(document.querySelector('[data-figure=cut]').dataset.value) > {as_before['cut']}"
        )
        page.wait_for_timeout(300)
        lower = figures(page)

        page.keyboard.press("Control+z")
        expect(one).to_have_attribute("aria-valuenow", "185")
        page.wait_for_function(
            f"() => Number(document.querySelector('[data-figure=cut]').dataset.value) == {as_before['cut']}"
        )
        assert figures(page) == as_before
        page.keyboard.press("Control+Shift+Z")
        expect(one).to_have_attribute("aria-valuenow", f"{dragged:g}")
        page.get_by_role("button", name="Undo").click()
        expect(one).to_have_attribute("aria-valuenow", "185")
        page.get_by_role("button", name="Redo").click()
        expect(one).to_have_attribute("aria-valuenow", f"{dragged:g}")

        saved(page)
        assert file.with_name("car.toml.old-1").read_bytes() == (TRACES / "plain.toml").read_bytes()
        same_as_replay(lower, replayed(file))
        page.reload()
        ready(page)
        assert value(one) == dragged
        same_as_replay(figures(page), replayed(file))

        handle(page, "retard_from", 0).focus()
        page.keyboard.press("PageDown")
        expect(handle(page, "retard_from", 0)).to_have_attribute("aria-valuenow", "140")
        (draft,) = (state / "liftlatch" / "desk").glob("*.json")
        wait_for(lambda: json.loads(draft.read_text())["history"][-1]["retard_from"][0] == 140)
    program.process.kill()
    program.process.wait()
    with Program(state, TRACES / "clean_launch.csv", "--calibration", file) as again:
        with open_page(browser, again.address, allowed=again.root) as page:
            ready(page)
            expect(page.locator(".bar")).to_contain_text("Work that was not saved is here again")
            assert value(handle(page, "retard_from", 0)) == 140
            page.keyboard.press("Control+z")
            expect(handle(page, "retard_from", 0)).to_have_attribute("aria-valuenow", "150")
            page.keyboard.press("Control+z")
            expect(handle(page, "reduction_from", 1)).to_have_attribute("aria-valuenow", "185")
        code, errors = again.end(signal.SIGINT)
    assert (code, errors.strip()) == (130, "liftlatch: stopped")


def test_the_picture_follows_while_dragging(browser: Browser, file: Path, state: Path) -> None:
    # a run that is cut, and more or less so as the ceiling moves
    with (
        Program(state, TRACES / "second_lift.csv", "--calibration", file) as program,
        open_page(browser, program.address, allowed=program.root) as page,
    ):
        ready(page)
        x, y = middle(handle(page, "reduction_full", 1))
        page.mouse.move(x, y)
        page.mouse.down()
        seen = set()
        pictures = set()
        for step in range(1, 9):
            page.mouse.move(x, y + 4 * step)
            page.wait_for_timeout(200)
            seen.add(figures(page)["cut"])
            pictures.add(page.locator(".panel canvas").nth(1).evaluate("(cut) => cut.toDataURL()"))
        assert len(seen) > 4  # with the button still down
        assert len(pictures) > 4
        page.mouse.up()
        # and all of it is one step of undo
        page.get_by_role("button", name="Undo").click()
        expect(handle(page, "reduction_full", 1)).to_have_attribute("aria-valuenow", "290")
        expect(page.get_by_role("button", name="Undo")).to_be_disabled()


@pytest.mark.parametrize(("width", "height"), [(1280, 720), (1600, 900)])
def test_ceilings_cut_and_figures_are_seen_together(
    browser: Browser, program: Program, width: int, height: int
) -> None:
    """Without scrolling, and still so with the last slider of the page under the hand."""
    with open_page(browser, program.address, allowed=program.root, width=width, height=height) as page:
        ready(page)
        answer = [
            page.locator('.panel[data-kind="panel"] .plot').nth(1),
            *(page.locator(f"[data-figure={key}]") for key in ("cut", "back", "taken", "lift")),
        ]
        ceilings = [page.locator(".high .chart"), *page.locator(".handle").all()]

        def outside(all_of_them: list[Locator]) -> list[Any]:
            boxes = [one.bounding_box() for one in all_of_them]
            return [
                box
                for box in boxes
                if not box
                or box["y"] < 0
                or box["y"] + box["height"] > height
                or box["x"] + box["width"] > width
            ]

        assert page.get_by_text("Reduction of the cylinder events").count() == 1
        assert outside([*answer, *ceilings]) == []
        page.locator("#knob-look_falling").focus()
        assert page.evaluate("scrollY") > 100
        assert outside(answer) == []
        assert outside(ceilings[:1]) != []


def overlapping(page: BrowserPage) -> list[str]:
    """Texts of the drawn ceilings that lie on one another by more than the room around their letters."""
    found: list[str] = page.evaluate(
        """() => {
          const all = [...document.querySelectorAll(".high svg text.words, .high svg .grip text")]
            .map((one) => [one.textContent, one.getBoundingClientRect()]);
          const over = ([, p], [, q]) => Math.min(p.right, q.right) - Math.max(p.left, q.left) > 1
            && Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top) > 2;
          const pairs = all.flatMap((p, i) => all.slice(i + 1).map((q) => [p, q]));
          return pairs.filter(([p, q]) => over(p, q)).map(([p, q]) => `${p[0]} / ${q[0]}`);
        }"""
    )
    return found


@pytest.mark.parametrize("width", [390, 1280, 1600])
def test_no_label_lies_on_another(browser: Browser, state: Path, file: Path, width: int) -> None:
    arguments = (TRACES / "second_lift.csv", "--calibration", file, "--vehicle", TRACES / "demo_car.toml")
    with (
        Program(state, *arguments) as program,
        open_page(browser, program.address, allowed=program.root, width=width) as page,
    ):
        ready(page)
        page.locator(".words").first.wait_for()  # drawn as soon as the figure knows its width
        assert page.locator(".words").count() > 12
        assert overlapping(page) == []


def test_dragging_by_touch(browser: Browser, program: Program) -> None:
    options = {"width": 390, "height": 844, "has_touch": True, "is_mobile": True}
    with open_page(browser, program.address, allowed=program.root, **options) as page:
        ready(page)
        one = handle(page, "reduction_full", 2)
        one.scroll_into_view_if_needed()
        x, y = middle(one)
        touch = page.context.new_cdp_session(page)
        touch.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": x, "y": y + 9}]})
        for step in range(1, 8):
            at = [{"x": x, "y": y + 9 - 5 * step}]
            touch.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": at})
        expect(page.locator(".answer")).to_contain_text("given back")  # beside the finger
        told = page.locator(".answer rect").bounding_box()
        assert told is not None
        assert told["y"] + told["height"] < y - 26 - 30
        touch.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
        page.wait_for_function("() => !document.querySelector('.holding')")
        assert value(one) > 250
        assert page.evaluate("scrollY") < 400  # the page did not scroll away under the finger
        expect(page.locator(".bottom")).to_contain_text("Greatest reduction")


def test_everything_by_keyboard(browser: Browser, program: Program, file: Path) -> None:
    with open_page(browser, program.address, allowed=program.root) as page:
        ready(page)
        reached = []
        for _ in range(60):
            page.keyboard.press("Tab")
            reached.append(
                page.evaluate(
                    "() => { const it = document.activeElement;"
                    " return it.dataset.handle || it.id || it.name || it.textContent.slice(0, 12); }"
                )
            )
        for name in ("reduction_full", "reduction_from", "retard_from"):
            assert [f"{name} {i}" for i in (0, 1, 2, 3, -1)] == [
                r for r in reached if r.startswith(f"{name} ")
            ][:5]
        assert {"knob-hold", "knob-trigger", "knob-look_falling"} <= set(reached)
        one = handle(page, "reduction_from", 0)
        one.focus()
        for key, to in (
            ("ArrowUp", 201),
            ("ArrowDown", 200),
            ("PageUp", 210),
            ("ArrowLeft", 209),
            ("Home", 0),
        ):
            page.keyboard.press(key)
            expect(one).to_have_attribute("aria-valuenow", str(to))
        assert "0 mm at 0 km/h" in (one.get_attribute("aria-valuetext") or "")
        page.keyboard.press("Control+z")
        expect(one).to_have_attribute("aria-valuenow", "200")
        line = handle(page, "reduction_from", -1)
        before = [value(handle(page, "reduction_from", i)) for i in range(4)]
        line.focus()
        page.keyboard.press("ArrowDown")
        expect(handle(page, "reduction_from", 3)).to_have_attribute("aria-valuenow", f"{before[3] - 1:g}")
        assert [value(handle(page, "reduction_from", i)) for i in range(4)] == [v - 1 for v in before]
        page.locator("#knob-hold").focus()
        page.keyboard.press("ArrowRight")
        expect(page.locator("#knob-hold")).to_have_value("305")
        page.keyboard.press("Control+s")
        expect(page.get_by_label("File name")).to_be_focused()
        page.keyboard.press("Enter")
        expect(page.locator(".bar.fine")).to_contain_text("Saved as")
    assert load(file).number("hold_ticks") == 305


def test_number_fields_choices_and_points(browser: Browser, program: Program, file: Path) -> None:
    with open_page(browser, program.address, allowed=program.root) as page:
        ready(page)
        page.get_by_label("Hold, ms").fill("180")
        page.keyboard.press("Control+z")
        expect(page.get_by_label("Hold, ms")).to_have_value("300")
        page.get_by_label("Hold, ms").fill("217")
        page.get_by_label("little by little").check()
        page.get_by_label("Give back, %/s").fill("95.5")
        page.get_by_label("the landing").check()
        page.get_by_text("The same as numbers").click()
        page.get_by_label("cut starts at 80 km/h").fill("180")
        page.get_by_role("button", name="add a point after 80").click()
        expect(page.get_by_role("slider", name="full cut, 120 km/h")).to_have_attribute(
            "aria-valuenow", "265"
        )
        saved(page)
        expect(page.get_by_label("Hold, ms")).to_have_value("217")
    text = file.read_text()
    assert "hold_ms = 217 " in text
    assert "release_percent_per_s = 95.5" in text
    assert 'hold_from = "landing"' in text
    assert "speed_kmh = [0, 80, 120, 160, 250]" in text
    assert "reduction_from_mm = [200, 180, 170, 160, 140]" in text


def test_refused_settings_are_said_and_cannot_be_saved(
    browser: Browser, program: Program, file: Path
) -> None:
    with open_page(browser, program.address, allowed=program.root) as page:
        ready(page)
        page.get_by_label("Hold, ms").fill("4000")
        expect(page.locator(".refused")).to_contain_text("fault.hold_ms")
        expect(page.locator(".figures")).to_have_class("figures stale")
        page.keyboard.press("Control+s")
        page.get_by_role("dialog").get_by_role("button", name="Save", exact=True).click()
        expect(page.get_by_role("dialog").get_by_role("alert")).to_contain_text("fault.hold_ms")
        page.keyboard.press("Escape")
        expect(page.get_by_role("dialog")).to_have_count(0)
        page.reload()
        expect(page.locator(".refused")).to_contain_text("fault.hold_ms")
        page.get_by_role("button", name="Undo").click()
        expect(page.locator(".refused")).to_have_count(0)
    assert file.read_bytes() == (TRACES / "plain.toml").read_bytes()


def test_a_file_changed_meanwhile_and_comparing(browser: Browser, program: Program, file: Path) -> None:
    with open_page(browser, program.address, allowed=program.root) as page:
        ready(page)
        page.get_by_role("button", name="Compare").click()
        expect(page.locator(".changed")).to_contain_text("Nothing is changed")
        page.get_by_label("Hold, ms").fill("500")
        expect(page.locator(".changed")).to_contain_text("latch.hold_ms")
        was = replayed(file)["interventions"][0]
        expect(page.locator("[data-figure=back] .was")).to_have_text(
            f"file: {was['since_launch_s'] + was['duration_s']:.3f} s"
        )
        of_disk = page.locator(".panel .legend li").get_by_text("the file", exact=True)
        assert of_disk.count() == 2
        file.write_text(file.read_text().replace("hold_ms = 300 ", "hold_ms = 350 ", 1))
        expect(page.locator(".bar.warn")).to_contain_text("was changed on disk")
        page.keyboard.press("Control+s")
        page.get_by_role("dialog").get_by_role("button", name="Save", exact=True).click()
        expect(page.get_by_role("dialog").get_by_role("alert")).to_contain_text("was changed on disk")
        assert load(file).number("hold_ticks") == 350
        page.keyboard.press("Escape")
        page.get_by_role("button", name="Take what is on disk").click()
        expect(page.get_by_label("Hold, ms")).to_have_value("350")
        page.keyboard.press("Control+z")
        expect(page.get_by_label("Hold, ms")).to_have_value("500")
        saved(page)
    assert load(file).number("hold_ticks") == 500
    assert load(file.with_name("car.toml.old-1")).number("hold_ticks") == 350


def test_a_second_tab_follows(browser: Browser, program: Program) -> None:
    with (
        open_page(browser, program.address, allowed=program.root) as one,
        open_page(browser, program.address, allowed=program.root) as two,
    ):
        ready(one)
        ready(two)
        one.get_by_label("Hold, ms").fill("444")
        expect(two.get_by_label("Hold, ms")).to_have_value("444")
        expect(two.locator("footer")).to_contain_text("2 pages are open")
        two.get_by_role("button", name="Undo").click()
        expect(one.locator("#knob-hold")).to_have_value("300")


def test_the_page_says_when_the_program_has_ended(browser: Browser, program: Program) -> None:
    # Its attempts to connect again are errors on the console, which open_page would not have.
    page = browser.new_page()
    page.goto(program.address)
    ready(page)
    assert program.end(signal.SIGTERM) == (-signal.SIGTERM, "")
    expect(page.locator(".bar.warn")).to_contain_text("What was done is kept")
    page.close()


def test_predicted_lift_follows(browser: Browser, state: Path, file: Path) -> None:
    arguments = (TRACES / "clean_launch.csv", "--calibration", file, "--vehicle", TRACES / "demo_car.toml")
    with (
        Program(state, *arguments) as program,
        open_page(browser, program.address, allowed=program.root) as page,
    ):
        ready(page)
        peak = page.locator('[data-row="peak_lift_mm"] td').first
        before = peak.inner_text()
        line = handle(page, "reduction_full", -1)
        line.focus()
        for _ in range(4):
            page.keyboard.press("PageDown")
        handle(page, "reduction_from", -1).focus()
        for _ in range(5):
            page.keyboard.press("PageDown")
        expect(peak).not_to_have_text(before)
        saved(page)
        asked = ["predict", "--vehicle", str(TRACES / "demo_car.toml"), "--calibration", str(file), "--json"]
        done = subprocess.run(
            [str(ROOT / ".venv" / "bin" / "liftlatch"), *asked], capture_output=True, text=True, check=True
        )
        facts = json.loads(done.stdout)

        def shows(row: str, column: int, text: str) -> None:
            expect(page.locator(f'[data-row="{row}"] td').nth(column)).to_have_text(text)

        for column, side in enumerate(("with", "without")):
            shows("peak_lift_mm", column, f"{facts[side]['peak_lift_mm']:.0f} mm")
            shows("landing_speed_mps", column, f"{facts[side]['landing_speed_mps']:.2f} m/s")
            for mark in facts[side]["marks"]:
                if mark["feet"] in (60, 660, 1320):
                    shows(f"{mark['feet']}_ft", column, f"{mark['nose_s']:.3f} s")


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("scheme", SCHEMES)
def test_everybody_can_use_it(browser: Browser, state: Path, file: Path, width: int, scheme: str) -> None:
    arguments = (TRACES / "out_of_range.csv", "--calibration", file, "--vehicle", TRACES / "demo_car.toml")
    with (
        Program(state, *arguments) as program,
        open_page(browser, program.address, allowed=program.root, width=width, scheme=scheme) as page,
    ):
        ready(page)
        assert serious_findings(page) == []
        assert wider_than_window(page) == 0
        page.get_by_role("button", name="Compare").click()
        page.get_by_label("Hold, ms").fill("4000")
        page.get_by_text("The same as numbers").click()
        expect(page.locator(".refused")).to_be_visible()
        assert serious_findings(page) == []
        assert wider_than_window(page) == 0
        page.get_by_role("button", name="Save …").click()
        assert serious_findings(page) == []
        expect(page.locator("footer")).to_contain_text("not a safety device")


def test_hostile_names_show_as_text(browser: Browser, state: Path, tmp_path: Path) -> None:
    evil = "<img src=x onerror=alert(1)>\"&'{{7*7}}"
    trace = tmp_path / f"{evil}.csv"
    text = (
        (TRACES / "clean_launch.csv").read_text().replace("Engine speed", f'"{evil.replace(chr(34), "")}"', 1)
    )
    trace.write_text(text)
    file = copy_of_demo(tmp_path, f"{evil}.toml")
    arguments = (trace, "--calibration", file, "--height-column", "2", "--engine-speed-column", "4:rpm")
    with (
        Program(state, *arguments) as program,
        open_page(browser, program.address, allowed=program.root) as page,
    ):
        page.on("dialog", lambda dialog: pytest.fail(dialog.message))
        ready(page)
        expect(page.locator(".files")).to_contain_text(f"{evil}.csv")
        page.get_by_label("Hold, ms").fill("4000")
        expect(page.locator(".refused")).to_contain_text("<img src=x")
        page.get_by_role("button", name="Save …").click()
        assert page.locator("img").count() == 0
        assert page.title().endswith(f"{evil}.toml – Liftlatch desk")


def rolled_on(to: Path, seconds: float) -> Path:
    """The demo run, with its nose down and its switches closed for so much longer."""
    head, units, *rows = (TRACES / "clean_launch.csv").read_text().splitlines()
    at = max(i for i, row in enumerate(rows) if row.split(",")[5] == "1")
    last, rest = rows[at].split(","), rows[0].split(",")[1]
    added = [
        ",".join([f"{float(last[0]) + 0.005 * k:.3f}", rest, *last[2:]])
        for k in range(1, round(seconds / 0.005) + 1)
    ]
    to.write_text("\n".join([head, units, *rows[: at + 1], *added]) + "\n")
    return to


def test_a_whole_run_and_another_launch(browser: Browser, file: Path, state: Path, tmp_path: Path) -> None:
    with (
        Program(state, rolled_on(tmp_path / "long.csv", 5), "--calibration", file) as program,
        open_page(browser, program.address, allowed=program.root) as page,
    ):
        ready(page)
        chart = page.get_by_role("slider", name="The replayed run over time")
        end = float(chart.get_attribute("aria-valuemax") or 0)
        page.get_by_label("the whole run").check()
        expect(chart).not_to_have_attribute("aria-valuemax", f"{end:g}")
        chart.focus()
        page.keyboard.press("Home")
        for _ in range(9):
            page.keyboard.press("PageUp")
        expect(page.locator(".reading")).to_contain_text("0.600 s: lift")


def test_the_run_can_be_looked_at_closely(browser: Browser, program: Program) -> None:
    """A drag over a stretch shows it over the whole width until a double click, also after a change."""
    with open_page(browser, program.address, allowed=program.root) as page:
        ready(page)
        glass = page.locator(".panel .glass").first
        glass.scroll_into_view_if_needed()

        def at(share: float) -> float:
            """Points at a share of the width, and reads the time there, in s."""
            box = glass.bounding_box()
            assert box is not None
            page.mouse.move(box["x"] + share * box["width"], box["y"] + 40)
            reading = page.locator(".reading")
            expect(reading).to_contain_text(" s: lift")
            return float((reading.text_content() or "").split(" s:")[0])

        a, b = at(0.2), at(0.4)
        at(0.2)
        page.mouse.down()
        at(0.3)
        at(0.4)
        page.mouse.up()
        page.wait_for_timeout(200)
        assert at(0.5) == pytest.approx((a + b) / 2, abs=0.02)
        page.get_by_label("Hold, ms").fill("217")
        page.wait_for_timeout(500)
        glass.scroll_into_view_if_needed()
        assert at(0.25) == pytest.approx(a + (b - a) / 4, abs=0.02)
        glass.dblclick(position={"x": 50, "y": 40})
        page.wait_for_timeout(200)
        assert at(0.2) == pytest.approx(a, abs=0.02)


_DENSITY = "document.querySelector('.high canvas').width / document.querySelector('.high canvas').clientWidth"


def test_the_drawn_curves_are_sharp_and_follow_colours_and_paper(browser: Browser, program: Program) -> None:
    with open_page(browser, program.address, allowed=program.root, width=1280, device_scale_factor=2) as page:
        ready(page)
        assert page.evaluate(_DENSITY) == pytest.approx(2, abs=0.01)
        # the lift and the full cut, on each scheme's own ground
        light = [dots_of(page, ".high canvas", name) for name in ("--lift", "--cut")]
        assert min(light) > 500
        page.emulate_media(color_scheme="dark")
        page.wait_for_timeout(200)
        dark = [dots_of(page, ".high canvas", name) for name in ("--lift", "--cut")]
        assert min(dark) > 500
        page.emulate_media(color_scheme="light")
        page.wait_for_timeout(200)
        page.evaluate("dispatchEvent(new Event('beforeprint'))")
        assert page.evaluate(_DENSITY) == pytest.approx(3, abs=0.01)
        page.evaluate("dispatchEvent(new Event('afterprint'))")
        assert page.evaluate(_DENSITY) == pytest.approx(2, abs=0.01)
        # a whole line that is moved is drawn elsewhere, in the colours that are on
        before = page.locator(".high canvas").screenshot()
        drag(page, handle(page, "reduction_full", -1), -12)
        page.wait_for_timeout(400)
        assert page.locator(".high canvas").screenshot() != before
        assert dots_of(page, ".high canvas", "--cut") > 500


def test_a_quick_drag_ends_where_the_hand_does(browser: Browser, program: Program) -> None:
    """The handle waits for its answer: what was asked for meanwhile must count, back to the start too."""
    with open_page(browser, program.address, allowed=program.root, width=1280) as page:
        ready(page)
        of = handle(page, "reduction_from", 1)
        start = value(of)
        x, y = middle(of)
        page.mouse.move(x, y)
        page.mouse.down()
        for by in (-3, -6, -3, 0):
            page.mouse.move(x, y + by)
        expect(of).to_have_attribute("aria-valuenow", f"{start:g}")
        page.mouse.up()
        page.wait_for_timeout(300)
        assert value(of) == start
        of.focus()
        for _ in range(5):
            page.keyboard.press("ArrowUp")
        expect(of).to_have_attribute("aria-valuenow", f"{start + 5:g}")
