"""The contract of the wire finds what it is for: each of these devices does one thing wrong."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from bench.device.behaviour import Behaviour
from bench.device.simulated import Device
from bench.link.frames import encode
from bench.link.host import Host
from bench.link.line import LinkError
from bench.link.memory import MemoryLine
from bench.link.protocol import STALLED, Kind, Reason, message, pack_error
from bench.link.target import RemoteTarget
from controller import Controller
from tests.contract import test_wire as contract


class ShortStatus(Device):
    def _status(self, body: bytes) -> bytes | Reason:
        answer = super()._status(body)
        return answer if isinstance(answer, Reason) else answer[:-1]


class FirstAnswersWrong(Device):
    """What it keeps is right, what it says first is not."""

    def receive(self, data: bytes) -> bytes:
        repeated = self._repeated
        sent = super().receive(data)
        if self._repeated == repeated and len(sent) > 30 and sent[1] == Kind.STEP | 0x80:
            return encode(message(Kind.STEP | 0x80, self.session, self._expected - 1, bytes(49)))
        return sent


class Forgets(Device):
    """Carries out a request again that came again."""

    def _answer(self, payload: bytes) -> bytes:
        if len(payload) > 5 and payload[0] == Kind.STEP:
            self._answers.clear()
            self._expected = int.from_bytes(payload[3:5], "little")
        return super()._answer(payload)


class NoGap(Device):
    def _answer(self, payload: bytes) -> bytes:
        if len(payload) >= 5 and payload[0] == Kind.STEP:
            self._expected = int.from_bytes(payload[3:5], "little")
        return super()._answer(payload)


class NeverSafe(Device):
    def tell_time(self, now_ms: int) -> None:
        self._now_ms = now_ms


class UnsafeEvents(Device):
    """The safe state acts on the command, but not on events."""

    def _events(self, body: bytes) -> bytes | Reason:
        command = self._stepper.core.command
        kept = command._acting_reduction
        command._acting_reduction = command.reduction
        answer = super()._events(body)
        command._acting_reduction = kept
        return answer


class SaysNoStall(Device):
    def _step(self, body: bytes) -> bytes | Reason:
        answer = super()._step(body)
        if isinstance(answer, Reason):
            return answer
        return answer[:11] + bytes([answer[11] & ~STALLED]) + answer[12:]


class StartsArmed(Device):
    def _active(self) -> bool:
        return False


class ActiveOnlyWhenArmed(Device):
    def _active(self) -> bool:
        return bool(self._stepper.core.armed)


class KeepsTheConversation(Device):
    def power_up(self) -> None:
        session = getattr(self, "_session", 0)
        super().power_up()
        self._session = session


class OneError(Device):
    """Every error is UNKNOWN."""

    def _carry_out(self, kind: int, session: int, sequence: int, body: bytes) -> bytes:
        answer = super()._carry_out(kind, session, sequence, body)
        return message(0xFF, session, sequence, pack_error(Reason.UNKNOWN)) if answer[0] == 0xFF else answer


class StepsTooMuch(Device):
    """Carries a step out whose answer it then refuses."""

    def _step(self, body: bytes) -> bytes | Reason:
        answer = super()._step(body)
        if answer == Reason.TOO_MUCH:
            self._stepper.step(0, body[4:])
        return answer


class KeepsOneAnswer(Device):
    def _answer(self, payload: bytes) -> bytes:
        answer = super()._answer(payload)
        while len(self._answers) > 1:
            self._answers.popitem(last=False)
        return answer


class StuckAfterGarbage(Device):
    def receive(self, data: bytes) -> bytes:
        return b"" if len(data) > 1000 else super().receive(data)


class Counts(Device):
    """Counts a refused tick as stepped."""

    def _status(self, body: bytes) -> bytes | Reason:
        self._stepper.ticks += 1
        return super()._status(body)


CASES: list[tuple[type[Device], Callable[..., None], tuple[Any, ...]]] = [
    (ShortStatus, contract.test_status_has_its_length_and_counts, ()),
    (Counts, contract.test_status_has_its_length_and_counts, ()),
    (FirstAnswersWrong, contract.test_a_request_is_carried_out_once_and_answered_again_byte_for_byte, ()),
    (Forgets, contract.test_a_request_is_carried_out_once_and_answered_again_byte_for_byte, ()),
    (NoGap, contract.test_a_gap_and_a_foreign_session_change_nothing, ()),
    (KeepsOneAnswer, contract.test_as_many_answers_are_kept_as_the_greeting_says, ()),
    (StuckAfterGarbage, contract.test_one_zero_byte_is_enough_after_any_garbage, ()),
    (NeverSafe, contract.test_after_silence_the_safe_state_acts_until_the_next_step_says_so, ()),
    (SaysNoStall, contract.test_after_silence_the_safe_state_acts_until_the_next_step_says_so, ()),
    (NeverSafe, contract.test_after_silence_the_safe_state_acts_on_events, ()),
    (UnsafeEvents, contract.test_after_silence_the_safe_state_acts_on_events, ()),
    (KeepsTheConversation, contract.test_reset_answers_and_forgets_the_conversation, ()),
    (StepsTooMuch, contract.test_an_answer_too_long_for_a_frame_is_refused_and_steps_nothing, ()),
    *((StartsArmed, contract.test_nothing_gives_torque_back_in_one_step, (kind, why))
      for kind in (Kind.COMMIT, Kind.START, Kind.RESET)
      for why in ("armed", "reduction", "retard", "safe state")),
    *((ActiveOnlyWhenArmed, contract.test_nothing_gives_torque_back_in_one_step, (Kind.START, why))
      for why in ("reduction", "retard", "safe state")),
    *((OneError, contract.test_a_wrong_request_is_refused_with_its_reason, case)
      for case in contract.WRONG if case[2] != Reason.UNKNOWN),
]  # fmt: skip


@pytest.mark.parametrize(("device", "check", "arguments"), CASES)
def test_what_is_wrong_on_the_wire_is_found(
    device: type[Device], check: Callable[..., None], arguments: tuple[Any, ...]
) -> None:
    check(RemoteTarget(Host(MemoryLine(Behaviour(Device(Controller))))), *arguments)
    with pytest.raises((AssertionError, LinkError, pytest.fail.Exception)):
        check(RemoteTarget(Host(MemoryLine(Behaviour(device(Controller))))), *arguments)
