"""From a log and no calibration to a saved calibration, a report and a device's file, all in the browser."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect
from playwright.sync_api import Page as BrowserPage

from bench.calibration import load
from tests.bench.start.test_start import ANSWERS
from tests.browser_support import dots_of, open_page, serious_findings, wider_than_window
from tests.desk_support import TRACES, Program, without_names

pytestmark = pytest.mark.slow

_DROP = """(given) => {
  const data = new DataTransfer();
  const files = Array.isArray(given[0]) ? given : [given];
  for (const [name, text] of files) data.items.add(new File([text], name));
  for (const kind of ["dragover", "drop"]) {
    document.body.dispatchEvent(new DragEvent(kind, { dataTransfer: data, bubbles: true, cancelable: true }));
  }
}"""


def drawn_of_second(page: BrowserPage) -> int:
    """Dots of the second run's line among the ceilings."""
    return dots_of(page, ".high canvas", "--run-1")


def usable(page: BrowserPage) -> None:
    assert serious_findings(page) == []
    assert wider_than_window(page) == 0


@pytest.mark.parametrize(("width", "scheme"), [(390, "dark"), (1280, "light")])
def test_from_a_log_to_a_device_without_another_command(
    browser: Browser, tmp_path: Path, width: int, scheme: str
) -> None:
    home = tmp_path / "home"
    home.mkdir()
    with (
        Program(tmp_path / "state", cwd=home) as program,
        open_page(
            browser, program.address, allowed=program.root, width=width, height=720, scheme=scheme
        ) as page,
    ):
        page.locator("[data-figure=cut]").wait_for()
        before = page.locator("[data-figure=lift] .big").inner_text()

        # a good log is dropped, columns and units are said, by keyboard too
        page.evaluate(_DROP, ["mine.csv", without_names()])
        expect(page.locator(".log h3")).to_have_text("mine.csv")
        expect(page.locator(".log .refused")).to_contain_text("no height column")
        expect(page.get_by_role("button", name="Show this run")).to_be_disabled()
        usable(page)
        page.get_by_label("column 1 is that").click()
        for column, role, unit in ((2, "height", "V"), (3, "speed", "km/h"), (4, "engine_speed", "rpm")):
            page.get_by_label(f"column {column} is", exact=True).select_option(role)
            field = page.get_by_label(f"unit of column {column}")
            field.fill(unit)
            field.press("Tab")
        expect(page.locator(".log .refused")).to_have_count(0)
        expect(page.get_by_label("Passes of the log").get_by_role("radio")).to_have_count(1)
        page.get_by_role("button", name="Keep", exact=True).click()
        expect(page.get_by_role("dialog").locator(".bar.fine")).to_contain_text("logger.toml")
        usable(page)

        # a second one is known by the layout, and a bad one costs nothing
        page.evaluate(_DROP, ["next.csv", without_names("spike_train")])
        expect(page.locator(".log h3")).to_have_text("next.csv")
        expect(page.get_by_role("button", name="Show this run")).to_be_enabled()
        page.evaluate(_DROP, ["bad.csv", "no numbers at all"])
        expect(page.get_by_role("alert")).to_contain_text("bad.csv")
        page.get_by_label("mine.csv", exact=True).check()
        page.get_by_role("button", name="Show this run").click()
        expect(page.locator(".files")).to_contain_text("mine.csv")
        expect(page.locator("[data-figure=lift] .big")).to_have_text(before)  # the demo's own run, renamed

        # a calibration for the car
        page.get_by_role("button", name="New car …").click()
        usable(page)
        for name, answer in {**ANSWERS, "sensor_rest": "700"}.items():
            page.locator(f"[name={name}]").fill(answer)
        page.get_by_role("button", name="Write the calibration").click()
        expect(page.get_by_role("alert")).to_contain_text("at rest the sensor is 700 mm high")
        page.locator("[name=sensor_rest]").fill(ANSWERS["sensor_rest"])
        page.get_by_role("button", name="Write the calibration").click()
        expect(page.locator(".files")).to_contain_text("mine.csv with calibration.toml")
        expect(page.locator(".along")).to_contain_text("numbers of this file are guessed")

        # what is guessed is marked where it is set, until it is measured
        section = page.locator(".keys").filter(has_text="The height sensor")
        expect(section.locator("summary")).to_contain_text("guessed")
        section.locator("summary").click()
        row = page.locator("[data-key='sensor.noise_mm']")
        expect(row).to_contain_text("record the car standing still")
        row.get_by_label("sensor.noise_mm", exact=True).fill("2")
        row.get_by_role("button", name="sensor.noise_mm is measured now").click()
        expect(row.locator(".guess")).to_have_count(0)
        page.locator(".keys").filter(has_text="When the sensor fails").locator("summary").click()
        page.get_by_label("fault.hold_ms", exact=True).fill("20")  # the checker says no, in its own words
        expect(page.locator(".refused")).to_contain_text("fault")
        page.get_by_label("fault.hold_ms", exact=True).fill("2500")
        expect(page.locator(".refused")).to_have_count(0)
        usable(page)

        # a section that is off is switched on with guesses that are marked, and off again, by the keyboard
        section = page.locator(".keys").filter(has_text="Requests by engine speed")
        section.locator("summary").click()
        switch = section.get_by_role("switch")
        expect(section.locator(".key-row")).to_have_count(0)
        switch.press("Space")
        expect(section.locator(".guess button")).to_have_count(7)
        expect(page.locator(".refused")).to_have_count(0)
        usable(page)
        switch.press("Space")
        expect(section.locator(".key-row")).to_have_count(0)

        # a setting is moved and saved; then it is taken along
        page.get_by_label("Hold, ms").fill("45")
        expect(page.get_by_role("button", name="File for the device")).to_be_disabled()
        page.get_by_role("button", name="Save …").click()
        page.get_by_role("dialog").get_by_role("button", name="Save", exact=True).click()
        expect(page.locator(".bar.fine")).to_contain_text("Saved as")
        with page.expect_download() as report:
            page.get_by_role("button", name="Report of this run").click()
        with page.expect_download() as image:
            page.get_by_role("button", name="File for the device").click()
        usable(page)
        assert report.value.suggested_filename == "report.html"
        report.value.save_as(tmp_path / "report.html")
        image.value.save_as(tmp_path / "device")
    calibration = load(home / "calibration.toml")
    assert calibration.number("hold_ticks") == 45
    assert "noise_mm = 2               # measured" in calibration.text
    assert "hold_ms = 2500 " in calibration.text
    assert (tmp_path / "device").read_bytes() == calibration.image
    assert sorted(one.name for one in home.iterdir()) == [
        "calibration.toml", "calibration.toml.old-1", "car.toml", "logger.toml",
    ]  # fmt: skip
    with open_page(browser, tmp_path / "report.html", width=390) as page:
        expect(page.locator("body")).to_contain_text("mine.csv with calibration.toml")
        assert wider_than_window(page) == 0


def test_what_the_own_controller_did_and_other_runs_lie_over_the_replay(
    browser: Browser, tmp_path: Path
) -> None:
    rows = (TRACES / "clean_launch.csv").read_text().splitlines()
    log = [
        f"{rows[0]},Logged reduction",
        f"{rows[1]},%",
        *(f"{row},{20 * (i % 300 < 40)}" for i, row in enumerate(rows[2:])),
    ]
    with (
        Program(tmp_path / "state", cwd=tmp_path) as program,
        open_page(browser, program.address, allowed=program.root) as page,
    ):
        page.locator("[data-figure=cut]").wait_for()
        assert page.locator("[data-figure=car]").count() == 0
        page.evaluate(_DROP, ["own.csv", "\n".join(log) + "\n"])
        expect(page.locator(".log")).to_contain_text("the car's own controller commanded is in it")
        page.get_by_role("button", name="Show this run").click()
        expect(page.locator("[data-figure=car] dt")).to_have_text("As the car's own")
        cut = page.locator(".panel").nth(1)
        expect(cut.locator(".legend")).to_contain_text("logged")

        # where they differ is shaded, and told
        expect(page.locator(".differs-key")).to_be_visible()
        apart = page.locator(".apart")
        expect(apart.locator("summary")).to_contain_text("did otherwise in")
        apart.locator("summary").click()
        expect(apart.locator("tbody tr").first).to_contain_text("%")

        # two more at once lie over each other; another one is chosen by the keyboard; one is taken away
        two = [
            [f"{name}.csv", (TRACES / f"{name}.csv").read_text()] for name in ("second_lift", "clean_launch")
        ]
        page.evaluate(_DROP, two)
        runs = page.locator(".runs")
        expect(runs.get_by_role("radio")).to_have_count(2)
        expect(page.locator(".files")).to_contain_text("second_lift.csv with")
        expect(cut.locator(".legend")).to_contain_text("clean_launch.csv")
        assert drawn_of_second(page) > 100
        lift = page.locator("[data-figure=lift] .big")
        its = lift.inner_text()
        runs.get_by_role("radio").first.focus()
        page.keyboard.press("ArrowDown")
        expect(page.locator(".files")).to_contain_text("clean_launch.csv with")
        expect(lift).not_to_have_text(its)
        expect(lift).to_have_text("177 mm")
        usable(page)
        page.get_by_role("button", name="take second_lift.csv away").click()
        expect(runs).to_have_count(0)
        assert drawn_of_second(page) == 0
