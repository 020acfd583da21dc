"""The desk without a browser: its states, its drafts, saving, who may talk to it, and what it answers."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from websockets.exceptions import InvalidStatus
from websockets.sync.client import connect

from bench.calibration import CalibrationMistakes, compile_text, load
from bench.cautions import CAUTIONS
from bench.desk.draft import state_folder
from bench.desk.result import View, work_out
from bench.desk.session import Session, WouldReplace
from bench.desk.settings import Settings
from bench.desk.source import Source
from bench.errors import UserError
from bench.replay.inputs import Options
from bench.trace.read import read_trace
from bench.vehicle import compiled
from bench.vehicle.vehicle_file import load as load_vehicle
from tests import ROOT
from tests.desk_support import (
    TOKEN,
    TRACES,
    Page,
    Program,
    Served,
    copy_of_demo,
    recorded,
    replayed,
    same_as_replay,
    served,
)


@pytest.fixture(autouse=True)
def _own_state(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("state")))


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A desk for tests that change nothing."""
    folder = tmp_path_factory.mktemp("shared")
    with pytest.MonkeyPatch.context() as patched:
        patched.setenv("XDG_STATE_HOME", str(folder))
        session = Session(copy_of_demo(folder))
    with served(session, recorded()) as made:
        yield made


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return copy_of_demo(tmp_path)


@pytest.fixture
def session(file: Path) -> Iterator[Session]:
    made = Session(file)
    yield made
    made.close()


@pytest.fixture
def desk(session: Session) -> Iterator[Served]:
    with served(session, recorded()) as made:
        yield made


# -- settings


def test_every_setting_is_written_where_the_checker_reads_it(file: Path) -> None:
    mine = Settings(load(file))
    changed: dict[str, Any] = {
        "retard_from": [151, 141, 126, 111],
        "reduction_from": [201, 186, 161, 141],
        "reduction_full": [321, 291, 241, 206],
        "points": [1, 81, 161, 251],
        "hold": 255,
        "release": 140,
        "hold_from": "landing",
        "greatest_reduction": 55,
        "greatest_retard": 11,
        "look_rising": 15,
        "look_falling": 25,
        "trigger": 3,
        "within": 9,
    }
    own = {name for name in mine.start if "." not in name and name != "measured"} - set(mine.switches.start)
    assert set(changed) == own
    cal = compile_text(mine.text(mine.checked(changed, mine.start)), file)
    again = Settings(cal)
    assert {name: again.start[name] for name in own} == changed
    assert again.others == mine.others
    assert cal.number("hold_ticks") == 255
    # 140 %/s are 1.4 units of 0.1 % a tick of 1 ms, in 1/65536 of a unit
    assert cal.number("release_q16") == round(1.4 * 65536)
    assert {change["key"] for change in mine.changed(changed)} >= {"latch.hold_ms", "ceilings.speed_kmh"}


def test_a_text_to_try_compiles_to_the_image_of_the_text_that_is_saved(file: Path) -> None:
    mine = Settings(load(file))
    for given_ in ({"hold": 100}, {"release": 90.5}, {"release": "step"}, {"look_falling": 40}):
        values = mine.checked(given_, mine.start)
        assert (
            compile_text(mine.text(values), file).image == compile_text(mine.text_to_try(values), file).image
        )
    assert compile_text(mine.text_to_try(mine.start), file).image == mine.cal.image


def test_a_file_in_inches_and_miles_is_worked_on_in_them(file: Path) -> None:
    text = file.read_text().replace("speed_kmh = [0, 80, 160, 250]", "speed_mph = [0, 50, 100, 155]")
    text = text.replace(
        "reduction_full_mm = [320, 290, 240, 205]", "reduction_full_in = [12.6, 11.4, 9.4, 8.1]"
    )
    text = text.replace("hold_ms = 300 ", "hold_s = 0.3 ", 1)
    file.write_text(text)
    mine = Settings(load(file))
    assert mine.start["points"] == [0, 50, 100, 155]
    assert mine.start["reduction_full"] == [12.6, 11.4, 9.4, 8.1]
    assert mine.start["retard_from"] == pytest.approx(
        [150 / 25.4, 140 / 25.4, 125 / 25.4, 110 / 25.4], abs=1e-6
    )
    assert mine.start["hold"] == 300
    made = mine.text(mine.checked({"hold": 250, "reduction_full": [12.5, 11.4, 9.4, 8.1]}, mine.start))
    assert "reduction_full_in = [12.5, 11.4, 9.4, 8.1]" in made
    assert "hold_s = 0.25 " in made
    assert "retard_from_mm = [150, 140, 125, 110]" in made  # untouched as it stands


def test_line_ends_stay_as_they_are_where_a_key_is_new(file: Path) -> None:
    file.write_bytes(file.read_bytes().replace(b"\n", b"\r\n"))
    mine = Settings(load(file))
    made = mine.text(mine.checked({"release": 150, "hold": 250}, mine.start))
    assert "release_percent_per_s = 150" in made
    assert made.count("\n") == made.count("\r\n") > 50
    plain = mine.cal.text.replace("\r\n", "\n")
    mixed = Settings(compile_text(plain + "# end\r\n", "car.toml"))
    assert mixed.text(mixed.checked({"hold": 250}, mixed.start)).count("\r\n") == 1


def test_handles_stay_where_the_checker_takes_them(file: Path) -> None:
    mine = Settings(load(file))
    ranges = mine.ranges(mine.start, 390)
    for name, of_line in ranges.items():
        for i, ends in enumerate(of_line):
            for end in ends:
                row = list(mine.start[name])  # type: ignore[arg-type]
                row[i] = end
                wide = mine.checked({name: row, "within": 100}, mine.start)
                compile_text(mine.text_to_try(wide), file)


@pytest.mark.parametrize(
    "given_",
    [
        {},
        [],
        None,
        {"nothing": 1},
        {"hold": "long"},
        {"hold": True},
        {"hold": float("nan")},
        {"hold": 1e9},
        {"hold": None},
        {"hold": [1]},
        {"retard_from": 5},
        {"retard_from": [1, 2]},
        {"points": []},
        {"retard_from": [1, 2, 3, "x"]},
        {"hold_from": "behind"},
        {"release": "never"},
        {"points": [0] * 17},
    ],
)
def test_what_is_no_setting_changes_nothing(session: Session, given_: Any) -> None:
    before = dict(session.values)
    with pytest.raises(UserError):
        session.set(given_)
    assert session.values == before
    assert not session.can_undo


# -- states


@settings(max_examples=12)
@given(st.lists(st.one_of(st.integers(0, 900), st.sampled_from(["undo", "redo", "over"])), max_size=25))
def test_undo_and_redo_are_those_of_a_list_of_states(asked: list[int | str]) -> None:
    session = Session(TRACES / "plain.toml", copy=True)
    try:
        states, at = [300], 0
        for one in asked:
            if one == "undo":
                session.undo()
                at = max(0, at - 1)
            elif one == "redo":
                session.redo()
                at = min(len(states) - 1, at + 1)
            else:
                value = 300 if one == "over" else one
                if one == "over":
                    session.start_over()
                else:
                    session.set({"hold": one})
                if value != states[at]:
                    states, at = [*states[: at + 1], int(value)], at + 1
            assert session.values["hold"] == states[at]
            assert (session.can_undo, session.can_redo) == (at > 0, at + 1 < len(states))
            assert session.unsaved == (states[at] != 300)
    finally:
        session.start_over()
        session.close()
        for draft in state_folder().iterdir():
            draft.unlink()


def test_one_drag_is_undone_as_one(session: Session) -> None:
    for hold in (310, 320, 330):
        session.set({"hold": hold}, "first")
    for hold in (340, 350):
        session.set({"hold": hold}, "second")
    session.undo()
    assert session.values["hold"] == 330
    session.undo()
    assert session.values["hold"] == 300
    session.redo()
    session.set({"hold": 100}, "second")  # a name that was used before, after an undo: a state of its own
    session.undo()
    assert session.values["hold"] == 330


# -- drafts


def killed_while_at_work(file: Path) -> None:
    """Another process that works on a file and is killed outright."""
    child = os.fork()
    if child == 0:
        session = Session(file)
        session.set({"hold": 111})
        session.set({"hold": 222})
        session.keep()
        os.kill(os.getpid(), signal.SIGKILL)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == -signal.SIGKILL


def test_work_is_there_again_with_its_history_after_kill_9(file: Path) -> None:
    killed_while_at_work(file)
    assert file.read_bytes() == (TRACES / "plain.toml").read_bytes()
    session = Session(file)
    assert session.values["hold"] == 222
    assert session.notices == ["Work that was not saved is here again, as it was left."]
    session.undo()
    assert session.values["hold"] == 111
    session.undo()
    assert not session.unsaved
    session.redo()
    session.close()


def test_a_draft_of_a_file_that_was_changed_since_is_not_lost_and_not_saved_over_it(file: Path) -> None:
    killed_while_at_work(file)
    file.write_text(file.read_text().replace("hold_ms = 300 ", "hold_ms = 400 ", 1))
    session = Session(file)
    assert session.values["hold"] == 222
    assert session.changed_on_disk
    with pytest.raises(WouldReplace) as taken:
        session.save()
    assert taken.value.reason == "changed"
    session.take_from_disk()
    assert session.values["hold"] == 400
    assert not session.changed_on_disk
    session.undo()
    assert session.values["hold"] == 222
    session.close()


def test_unsaved_work_outlives_a_file_of_another_kind_on_disk(session: Session, file: Path) -> None:
    session.set({"hold": 250})
    other = file.read_text().replace("speed_kmh = [0, 80, 160, 250]", "speed_mph = [0, 50, 100, 155]")
    file.write_text(other)
    with pytest.raises(UserError, match="save this work under another name"):
        session.take_from_disk()
    assert session.values["hold"] == 250
    session.save("mine.toml")
    assert load(session.source).number("hold_ticks") == 250
    assert file.read_text() == other


def test_killed_between_the_file_and_the_draft_it_is_saved(file: Path) -> None:
    killed_while_at_work(file)
    before = file.read_text()
    file.write_text(before.replace("hold_ms = 300 ", "hold_ms = 222 ", 1))
    session = Session(file)
    assert not session.unsaved
    assert not session.changed_on_disk
    assert session.notices == []
    session.undo()
    assert session.values["hold"] == 111
    session.close()


def test_an_older_file_brought_back_by_a_power_cut_does_not_drop_what_was_saved(file: Path) -> None:
    before = file.read_bytes()
    first = Session(file)
    first.set({"hold": 222})
    first.save()
    first.close()
    file.write_bytes(before)
    session = Session(file)
    assert session.values["hold"] == 300
    assert not session.unsaved
    assert session.notices == ["The file is not what was last saved here. Undo brings that back."]
    session.undo()
    assert session.values["hold"] == 222
    session.save()
    assert load(file).number("hold_ticks") == 222
    session.close()


def test_what_was_saved_is_put_aside_where_the_file_is_of_another_kind_now(file: Path) -> None:
    first = Session(file)
    first.set({"hold": 222})
    first.save()
    first.close()
    other = file.read_text().replace("speed_kmh = [0, 80, 160, 250]", "speed_mph = [0, 50, 100, 155]")
    file.write_text(other)
    session = Session(file)
    (notice,) = session.notices
    kept = Path(notice.rpartition(" lies in ")[2])
    assert "222" in kept.read_text()
    session.close()


def test_a_kept_old_file_that_is_the_live_one_is_cleared(file: Path) -> None:
    """A program killed between the second name of the old file and the new one."""
    os.link(file, file.with_name("car.toml.old-1"))
    file.with_name("car.toml.old-2").write_text("another")
    Session(file).close()
    assert sorted(path.name for path in file.parent.glob("car.toml*")) == ["car.toml", "car.toml.old-2"]


def test_nothing_is_left_in_the_state_folder_where_nothing_was_changed(file: Path) -> None:
    Session(file).close()
    assert list(state_folder().iterdir()) == []


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_work_of_the_last_moment_is_kept_at_every_signal(number: int, file: Path, tmp_path: Path) -> None:
    with Program(state_folder().parents[1], "--calibration", file) as program:
        address = program.address.replace("http:", "ws:") + "live"
        with connect(address, max_size=None, origin=program.root) as socket:
            page = Page(socket)
            page.ask("set", values={"hold": 222})
            program.end(number)
    session = Session(file)
    assert session.values["hold"] == 222
    session.close()


def test_a_pipe_in_the_files_place_holds_nothing_up(session: Session, file: Path) -> None:
    file.unlink()
    os.mkfifo(file)
    assert session.look_at_disk()
    assert session.facts()["gone"]
    with pytest.raises(UserError, match="no file"):
        session.on_disk()
    session.set({"hold": 250})
    with pytest.raises(UserError, match="no file"):
        session.save(replace=True)


def test_what_cannot_be_read_is_not_taken_for_absent(
    session: Session, file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = file.read_bytes()
    session.set({"hold": 250})
    monkeypatch.setattr("bench.desk.session._digest_of", lambda _: "")
    with pytest.raises(UserError, match="cannot be read"):
        session.save()
    assert file.read_bytes() == before


def test_a_damaged_draft_is_put_aside_and_said(file: Path) -> None:
    killed_while_at_work(file)
    (draft,) = state_folder().glob("*.json")
    for content in (b"", b"\xff\xfe", b"[1]", b'{"draft_version": 1}', b'{"draft_version": 99}', b"[" * 9999):
        draft.write_bytes(content)
        session = Session(file)
        assert session.values["hold"] == 300
        assert "could not be read" in session.notices[0]
        session.close()
        newest = max(draft.parent.glob("*.aside-*"), key=lambda path: int(path.suffix.rpartition("-")[2]))
        assert newest.read_bytes() == content


def test_a_draft_whose_history_no_longer_fits_is_left_aside(file: Path) -> None:
    killed_while_at_work(file)
    (draft,) = state_folder().glob("*.json")
    kept = json.loads(draft.read_text())
    kept["history"][1]["hold"] = "long"
    draft.write_text(json.dumps(kept))
    session = Session(file)
    assert session.values["hold"] == 300
    assert "does not fit" in session.notices[0]
    session.set({"hold": 250})
    session.close()
    (aside,) = state_folder().glob("*.aside-*")
    assert str(aside) in session.notices[0]
    assert json.loads(aside.read_text()) == kept


def test_where_nothing_can_be_kept_it_is_said_and_work_goes_on(
    file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "no_folder").write_text("")
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "no_folder"))
    session = Session(file)
    assert "cannot be kept" in session.notices[0]
    session.set({"hold": 100})
    session.keep()
    session.save()
    assert load(file).number("hold_ticks") == 100
    session.close()


def test_two_desks_do_not_work_on_one_calibration(session: Session, file: Path, tmp_path: Path) -> None:
    link = tmp_path / "link.toml"
    link.symlink_to(file)
    for path in (file, link):
        with pytest.raises(UserError, match="another desk"):
            Session(path)


def test_nothing_is_left_of_work_that_changed_nothing(file: Path) -> None:
    session = Session(file)
    session.set({"hold": 100})
    session.keep()
    assert list(state_folder().glob("*.json"))
    session.undo()
    session.close()
    session = Session(file)  # the history alone is kept, too
    session.redo()
    assert session.values["hold"] == 100
    session.close()


# -- saving


def test_saving_keeps_comments_and_the_old_file(session: Session, file: Path) -> None:
    before = file.read_text()
    session.set({"hold": 250, "release": 150, "look_rising": 20})
    assert session.save().old == file.with_name("car.toml.old-1")
    after = file.read_text()
    assert file.with_name("car.toml.old-1").read_text() == before
    assert re.findall("#.*", after) == re.findall("#.*", before)
    changed = [(a, b) for a, b in zip(before.splitlines(), after.splitlines(), strict=True) if a != b]
    assert len(changed) == 3
    assert not session.unsaved
    session.undo()
    assert session.unsaved  # against what is on disk now
    assert session.save().old == file.with_name("car.toml.old-2")
    assert load(file).image == compile_text(before, file).image


def test_a_link_is_followed_and_the_old_file_lies_beside_its_target(file: Path, tmp_path: Path) -> None:
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    link = folder / "link.toml"
    link.symlink_to(file)
    session = Session(link)
    session.set({"hold": 250})
    session.save()
    session.close()
    assert link.is_symlink()
    assert load(file).number("hold_ticks") == 250
    assert (tmp_path / "car.toml.old-1").exists()


def test_a_file_system_without_second_names(
    session: Session, file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", refuse)
    before = file.read_bytes()
    file.with_name("car.toml.old-1").write_text("older")
    session.set({"hold": 250})
    assert session.save().old == file.with_name("car.toml.old-2")
    assert file.with_name("car.toml.old-2").read_bytes() == before
    assert file.with_name("car.toml.old-1").read_text() == "older"


def test_the_checker_refuses_with_its_own_words_and_nothing_is_written(session: Session, file: Path) -> None:
    before = file.read_bytes()
    session.set({"hold": 4000})
    with pytest.raises(CalibrationMistakes) as saved:
        session.save()
    with pytest.raises(CalibrationMistakes) as checked:
        compile_text(session.settings.text(session.values), "car.toml")
    assert str(saved.value) == str(checked.value)
    assert "fault.hold_ms" in str(saved.value)
    assert file.read_bytes() == before
    assert {path.name for path in file.parent.iterdir()} == {"car.toml"}


def test_a_failed_write_leaves_the_file_and_the_work(
    session: Session, file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = file.read_bytes()
    session.set({"hold": 250})
    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", lambda _: (_ for _ in ()).throw(OSError(28, "No space left on device")))
        with pytest.raises(UserError, match="nothing written"):
            session.save()
    assert file.read_bytes() == before
    assert session.values["hold"] == 250
    assert session.unsaved
    assert [path.name for path in file.parent.iterdir()] == [file.name]


def test_saving_under_another_name_goes_on_with_that_file(session: Session, file: Path) -> None:
    session.set({"hold": 250})
    assert session.save("other.toml").old is None
    assert session.source == file.with_name("other.toml")
    assert load(file).number("hold_ticks") == 300
    assert load(session.source).number("hold_ticks") == 250
    Session(file).close()  # free again
    with pytest.raises(UserError, match="another desk"):
        Session(session.source)
    session.undo()
    assert session.values["hold"] == 300


def test_saving_what_is_there_already_writes_nothing(session: Session, file: Path) -> None:
    session.set({"hold": 250})
    assert session.save().written
    first = file.stat().st_mtime_ns, file.stat().st_ino
    again = session.save()
    assert (again.written, again.old) == (False, None)
    assert (file.stat().st_mtime_ns, file.stat().st_ino) == first
    assert sorted(path.name for path in file.parent.iterdir()) == [file.name, f"{file.name}.old-1"]


def test_work_in_progress_of_another_file_is_not_saved_over(session: Session, file: Path) -> None:
    other = copy_of_demo(file.parent, "other.toml")
    killed_while_at_work(other)
    session.set({"hold": 250})
    with pytest.raises(UserError, match="work in progress of its own"):
        session.save("other.toml", replace=True)
    assert session.source == file
    theirs = Session(other)
    assert theirs.values["hold"] == 222
    theirs.close()


def test_a_file_of_that_name_is_not_replaced_unasked(session: Session, file: Path) -> None:
    file.with_name("other.toml").write_text("precious")
    with pytest.raises(WouldReplace) as taken:
        session.save("other.toml")
    assert taken.value.reason == "other"
    assert file.with_name("other.toml").read_text() == "precious"
    assert session.source == file
    saved = session.save("other.toml", replace=True)
    assert saved.old is not None
    assert saved.old.read_text() == "precious"


@pytest.mark.parametrize(
    "name",
    [
        "../car.toml",
        "/tmp/car.toml",
        "a/b.toml",
        ".toml",
        ".hidden.toml",
        "car.txt",
        "car",
        "..",
        "a\nb.toml",
    ],
)
def test_names_that_are_no_plain_file_names_are_refused(session: Session, file: Path, name: str) -> None:
    with pytest.raises(UserError):
        session.save(name)
    assert [path.name for path in file.parent.iterdir()] == ["car.toml"]


def test_the_demo_is_never_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    session = Session(copy_of_demo(tmp_path, "demo.toml"), copy=True)
    with pytest.raises(UserError, match="give a name"):
        session.save()
    with pytest.raises(WouldReplace):
        session.save("demo.toml")
    session.save("mine.toml")
    assert (tmp_path / "mine.toml").exists()
    session.set({"hold": 100})
    session.save()
    assert load(tmp_path / "mine.toml").number("hold_ticks") == 100
    session.close()


# -- who may talk to it


def test_it_listens_on_the_loopback_only(shared: Served) -> None:
    # the kernel's own list of sockets: proc(5), local address in hexadecimal, state 0A listens
    found = [line.split()[1:4] for line in Path("/proc/net/tcp").read_text().splitlines()[1:]]
    mine = [local for local, _, state in found if state == "0A" and local.endswith(f":{shared.port:04X}")]
    assert mine == [f"0100007F:{shared.port:04X}"]
    everywhere = Path("/proc/net/tcp6").read_text() if Path("/proc/net/tcp6").exists() else ""
    assert f":{shared.port:04X} 0000" not in everywhere


def test_the_page_and_its_files(shared: Served) -> None:
    for name, kind in (
        ("", "text/html"),
        ("desk.js", "text/javascript"),
        ("desk.css", "text/css"),
        ("icon.svg", "image/svg+xml"),
        ("desk-licences.txt", "text/plain"),
    ):
        status, headers, body = shared.get(f"/{TOKEN}/{name}")
        assert status == 200
        assert headers["content-type"].startswith(kind)
        assert len(body) > 200
        assert "default-src 'none'" in headers["content-security-policy"]
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["referrer-policy"] == "no-referrer"
        assert headers["cache-control"] == "no-store"
        assert "access-control-allow-origin" not in headers


def test_without_the_token_there_is_nothing(shared: Served) -> None:
    for path in [
        "/",
        "/desk.js",
        f"/{TOKEN}",
        f"/{TOKEN[:-1]}/",
        f"/{TOKEN}x/",
        f"/x{TOKEN}/",
        f"/{TOKEN.upper()}/",
        f"//{TOKEN}/",
        "/favicon.ico",
        "/%00/",
        "/%ff/",
    ]:
        status, headers, body = shared.get(path)
        assert status in (400, 404)
        assert TOKEN.encode() not in body
        assert TOKEN not in str(headers)


def test_no_path_leads_out_of_the_page(shared: Served) -> None:
    for path in [
        "../server.py",
        "..%2fserver.py",
        "%2e%2e/server.py",
        "....//server.py",
        "..\\server.py",
        "/etc/passwd",
        "%2fetc%2fpasswd",
        "desk.js/..",
        "desk.js%00",
        "page/package.json",
        "live",
        "index.html/",
    ]:
        status, _, body = shared.get(f"/{TOKEN}/{path}")
        assert status in (307, 404)
        assert b"import" not in body
        assert b"root:" not in body


def test_another_host_or_origin_is_refused(shared: Served) -> None:
    for headers in [
        {"Host": "evil.example"},
        {"Host": "evil.example:{port}"},
        {"Host": "127.0.0.1"},
        {"Host": "127.0.0.1:1"},
        {"Host": "127.0.0.1.evil.example:{port}"},
        {"Host": ""},
        {"Host": "[::1]:{port}"},
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:1"},
        {"Origin": "https://127.0.0.1:{port}"},
        {"Origin": "http://evil.example:{port}"},
    ]:
        sent = {name: value.format(port=shared.port) for name, value in headers.items()}
        status, _, body = shared.get(f"/{TOKEN}/", **sent)
        assert status == 403
        assert b"shared.js" not in body


def test_localhost_is_as_good(shared: Served) -> None:
    names = {"Host": f"localhost:{shared.port}", "Origin": f"http://localhost:{shared.port}"}
    assert shared.get(f"/{TOKEN}/", **names)[0] == 200


def test_only_reading(shared: Served) -> None:
    for method in ("POST", "PUT", "DELETE", "OPTIONS", "PATCH"):
        assert shared.get(f"/{TOKEN}/", method, Origin=shared.origin)[0] == 405
        assert shared.get(f"/{TOKEN}/", method)[0] == 403  # what sends something must say where it is from


def test_a_websocket_needs_token_host_and_origin(shared: Served) -> None:
    for options in [
        {"origin": None},
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"token": "wrong"},
        {"host_name": "evil.example"},
    ]:
        with pytest.raises(InvalidStatus) as refused:
            shared.live(**options).close()
        assert refused.value.response.status_code == 403


# -- what it answers


def test_the_answer_is_what_replay_says_of_the_saved_file(desk: Served, file: Path) -> None:
    with desk.live() as socket:
        page = Page(socket)
        same_as_replay(page.figures(page.state), replayed(file))
        before = page.figures(page.state)
        state = page.ask("set", values={"reduction_from": [200, 150, 140, 130], "hold": 450, "release": 120})
        assert page.figures(state) != before
        assert state["cautions"] == CAUTIONS
        page.ask("save")
        facts = replayed(file)
        same_as_replay(page.figures(state), facts)
        assert state["result"]["image_crc32"] == facts["calibration"]["image_crc32"]
        assert state["result"]["notes"] == facts["notes"]
        assert len(state["result"]["notes"]) > 5


def test_curves_hold_the_numbers_of_the_ticks(session: Session) -> None:
    source = recorded()
    s = source.replay(session.settings.cal)
    found = work_out(source, session.settings.cal, View(whole=True))
    launch = s.runs[0][0]
    for column, scale in (("lift", 1 / 16), ("reduction", 0.1), ("retard", 0.1)):
        curve = found["strip"]["series"][column]
        at, its = curve["columns"]["at"], curve["columns"][column]
        places = [curve["first"] + place / at["per"] for place in at["values"]]
        drawn = dict(zip(places, its["values"], strict=True))
        assert its["per"] == 1 / scale
        values = s.ticks[column]
        for t, v in drawn.items():
            assert v == values[launch + round(1000 * t)]
        assert max(drawn.values()) == values[launch:].max()


def test_settings_that_cannot_be_are_said_and_the_last_result_stays(desk: Served) -> None:
    with desk.live() as socket:
        page = Page(socket)
        state = page.ask("set", values={"hold": 4000})
        assert "result" not in state
        assert any("fault.hold_ms" in text for text in state["refused"])
        with desk.live() as late:
            assert Page(late).state["result"]["figures"]
        state = page.ask("undo")
        assert state["refused"] == []
        assert state["result"]["figures"]


def test_a_second_page_follows(desk: Served) -> None:
    with desk.live() as one, desk.live() as two:
        first, second = Page(one), Page(two)
        first.ask("set", values={"hold": 123})
        while second.state["values"]["hold"] != 123:
            second.next_state(0)
        assert second.state["pages"] == 2
        second.ask("undo")
        while first.state["values"]["hold"] != 300:
            first.next_state(0)


def test_while_one_result_is_worked_out_only_the_last_change_counts(desk: Served) -> None:
    with desk.live() as socket:
        page = Page(socket)
        for number in range(1, 201):
            socket.send(
                json.dumps({"do": "set", "id": number, "values": {"hold": 300 + number}, "gesture": "d"})
            )
        count = 0
        while page.state["heard"] < 200:
            page.next_state(0)
            count += 1
        assert page.state["values"]["hold"] == 500
        assert count < 100
        page.id = 200
        assert page.ask("undo")["values"]["hold"] == 300


def test_nonsense_is_answered_in_one_line_and_changes_nothing(shared: Served) -> None:
    with shared.live() as socket:
        page = Page(socket)
        for message in [
            "",
            "nonsense",
            "[]",
            "1",
            "null",
            '"set"',
            "{}",
            '{"do": 7}',
            '{"do": "fly"}',
            '{"do": "set"}',
            "[" * 9999,
            '{"do": "set", "values": {"hold": "x"}}',
            '{"do": "set", "values": 5}',
            '{"do": "save", "name": 5}',
            '{"do": "save", "name": "../x.toml"}',
            '{"do": "view", "launch": "x"}',
            '{"do": "view", "launch": -1}',
            '{"do": "set", "values": {"hold": 1e999}}',
            '{"do": "set", "values": {"hold": NaN}}',
            '{"do": "set", "values": {"hold": 1%s}}' % ("0" * 400),
            b"\x00\xff",
        ]:
            said = page.said_to(message)
            assert "\n" not in said["text"]
            assert "internal" not in said["text"]
        assert page.ask("compare", on=False)["changed"] == []


def test_a_message_that_is_too_long_ends_only_that_page(desk: Served) -> None:
    with desk.live() as socket:
        Page(socket)
        socket.send("x" * (1 << 17))
        with pytest.raises(Exception, match=r"1009|too big|closed|received"):
            while True:
                socket.recv(timeout=20)
    with desk.live() as socket:
        assert Page(socket).ask("set", values={"hold": 100})["values"]["hold"] == 100


def test_comparing_with_the_file_on_disk(desk: Served, file: Path) -> None:
    with desk.live() as socket:
        page = Page(socket)
        before = page.figures(page.state)
        page.ask("set", values={"hold": 450})
        state = page.ask("compare", on=True)
        assert {one["key"]: one["value"] for one in state["disk"]["result"]["figures"]} == before
        assert state["changed"] == [{"key": "latch.hold_ms", "was": "300", "now": "450"}]
        file.write_text("not = a [calibration")
        while not state["file"]["changed_on_disk"]:
            state = page.next_state(0)
        assert "is not TOML" in state["disk"]["why_not"]
        said = page.refused("save")
        assert said["taken"] == "changed"
        assert "is not TOML" in page.refused("take from disk")["text"]
        assert file.read_text() == "not = a [calibration"
        page.ask("save", replace=True)
        assert load(file).number("hold_ticks") == 450
        assert file.with_name("car.toml.old-1").read_text() == "not = a [calibration"


def test_a_file_with_maps_is_shown_and_not_dragged(tmp_path: Path) -> None:
    text = (TRACES / "plain.toml").read_text()
    start, stop = text.index("[ceilings]"), text.index("# ---", text.index("[ceilings]"))
    maps = """[maps]
lift_mm = [0, 200, 320]
speed_kmh = [0, 250]
reduction_percent = [[0, 0], [0, 20], [60, 60]]
retard_deg = [[0, 0], [0, 0], [0, 0]]

"""
    file = tmp_path / "maps.toml"
    file.write_text(text[:start] + maps + text[stop:])
    session = Session(file)
    with served(session, recorded()) as desk, desk.live() as socket:
        page = Page(socket)
        assert page.state["has_ceilings"] is False
        assert page.state["ranges"] == {}
        drawn = page.state["result"]["ceilings"]
        assert drawn["given"] is False
        assert drawn["retard_from"] == [None, None]  # no retard anywhere
        assert drawn["reduction_full"] == [320.0, 320.0]
        assert {knob["name"] for knob in page.state["knobs"]} == {
            "hold",
            "release",
            "look_rising",
            "look_falling",
            "trigger",
        }
        assert "no such setting" in page.refused("set", values={"retard_from": [1, 2]})["text"]
        state = page.ask("set", values={"hold": 100})
        page.ask("save")
        same_as_replay(page.figures(state), replayed(file))


def test_progress_by_time(tmp_path: Path) -> None:
    text = (TRACES / "plain.toml").read_text().replace('by = "speed" ', 'by = "time" ')
    text = re.sub(r"^(speed_from|rise_kmh|fall_kmh).*\n", "", text, flags=re.M)
    text = text.replace("speed_kmh = [0, 80, 160, 250]", "elapsed_ms = [0, 800, 1600, 3000]")
    file = tmp_path / "time.toml"
    file.write_text(text)
    session = Session(file)
    with served(session, recorded()) as desk, desk.live() as socket:
        page = Page(socket)
        assert page.state["progress_unit"] == "ms"
        assert page.state["values"]["points"] == [0, 800, 1600, 3000]
        path = page.state["result"]["path"]
        # by time, progress is the time since launch (held at 65 535 ms)
        assert path["p"] == pytest.approx(path["t"], abs=1.0)


def test_a_trace_without_a_launch_is_shown_and_said(tmp_path: Path, file: Path) -> None:
    header, units, *rows = (TRACES / "clean_launch.csv").read_text().splitlines()
    armed = header.split(",").index("Armed")
    cells = [row.split(",") for row in rows]
    still = [",".join([*row[:armed], "0", *row[armed + 1 :]]) for row in cells]
    trace = tmp_path / "still.csv"
    trace.write_text("\n".join([header, units, *still]) + "\n")
    source = Source(read_trace(trace), Options(), None)
    found = work_out(source, load(file), View())
    assert (found["launches"], found["launch"]) == ([], 0)
    assert "No launch was found" in found["loud"][0]
    shown = {one["key"]: one["value"] for one in found["figures"]}
    assert shown == {"cut": 0, "back": None, "interventions": 0, "retard": 0, "changes": 0}


def test_a_controller_that_was_not_ready_is_said_aloud(tmp_path: Path, file: Path) -> None:
    header, units, *rows = (TRACES / "clean_launch.csv").read_text().splitlines()
    nose = next(i for i, name in enumerate(header.split(",")) if "height" in name.lower())
    cells = [row.split(",") for row in rows]
    still = [",".join([*row[:nose], cells[0][nose], *row[nose + 1 :]]) for row in cells]
    trace = tmp_path / "dead.csv"
    trace.write_text("\n".join([header, units, *still]) + "\n")
    found = work_out(Source(read_trace(trace), Options(), None), load(file), View())
    assert any("HAD NOT MOVED SINCE ARMING" in text for text in found["loud"])
    assert not found["out_of_service"]
    out = [",".join([*row[:nose], "5000", *row[nose + 1 :]]) for row in cells]
    trace.write_text("\n".join([header, units, *out]) + "\n")
    assert work_out(Source(read_trace(trace), Options(), None), load(file), View())["out_of_service"]
    healthy = work_out(Source(read_trace(TRACES / "clean_launch.csv"), Options(), None), load(file), View())
    assert healthy["loud"] == []
    assert not healthy["out_of_service"]


# -- the command


def test_help_says_what_is_written_and_loads_nothing_heavy() -> None:
    program = """
import atexit, json, sys
atexit.register(lambda: print(json.dumps(sorted(sys.modules)), file=sys.stderr))
sys.argv = ["liftlatch", "desk", "--help"]
from bench.cli import main
main()
"""
    command = [sys.executable, "-c", program]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0
    words = " ".join(done.stdout.split())
    assert "Nothing is written but what you save" in words
    assert "not a safety device" in words
    assert not {"starlette", "uvicorn", "numpy", "websockets"} & set(json.loads(done.stderr))


@pytest.mark.skipif(compiled.available() is not None, reason=str(compiled.available()))
def test_what_gets_worse_in_the_model_stands_first_and_names_the_file() -> None:
    present = load(TRACES / "demo.toml")
    harder = compile_text((TRACES / "plain.toml").read_text(), "plain.toml")
    vehicle = load_vehicle(TRACES / "demo_car.toml")
    source = Source(read_trace(TRACES / "clean_launch.csv"), Options(), vehicle)
    loud = work_out(source, harder, View(), present)["loud"]
    worse = "In the model: Worse with this setting than with"
    assert loud[0].startswith(f"{worse} the calibration of the file: it lands harder")
    assert loud[1].startswith(f"{worse} no control: it lands harder")
    assert not any("In the model" in text for text in work_out(source, present, View(), present)["loud"])
