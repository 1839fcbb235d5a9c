"""The bench's safety chain as its controller shows it: guard, E-stop, selector, STO, permit, release, heartbeat.

Its one job is to latch: what opens the permit keeps it open until a person presses reset. Over the wire it can be read
and asked to open; nothing on the wire closes it. It simulates a chain; nothing here protects anybody.
"""

import enum
from collections.abc import Sequence

from benchd_rig.modbus_codec import ILLEGAL_DATA_ADDRESS, ModbusRefusal, NothingMapped

HEARTBEAT_TIMEOUT_S = 0.5
HEARTBEAT_COIL = 0
WITHDRAW_COIL = 1
START_WARNING_COIL = 2


class Button(enum.Enum):
    """What a person at the bench can do."""

    ESTOP = "estop"
    RELEASE_ESTOP = "release_estop"
    OPEN_GUARD = "open_guard"
    CLOSE_GUARD = "close_guard"
    LOCAL = "local"
    REMOTE = "remote"
    STO = "sto"
    RELEASE_STO = "release_sto"
    RESET = "reset"
    PRESS_START_RELEASE = "press_start_release"  # releases a start: a push-button, held for as long as it is pressed
    LET_GO_START_RELEASE = "let_go_start_release"


class ResetRefusedError(Exception):
    """Reset was pressed while something still keeps the chain open; the message says what."""


class SafetyChain(NothingMapped):
    """A chain that is closed at power-up: somebody has pressed reset already.

    Discrete inputs: 0 guard_closed, 1 estop_released, 2 remote_selected, 3 torque_enabled, 4 permit, 5
    release_pressed. Coils: 0 heartbeat, 1 withdraw_permit, 2 start_warning.
    """

    def __init__(self) -> None:
        self.guard_closed = True
        self.estop_released = True
        self.remote_selected = True
        self.permit = True
        self.release_pressed = False
        self.start_warning = False  # the horn
        self.opened_by = ""  # what opened the permit last, for people
        self.no_torque_since_s: float | None = None  # plant time at which torque_enabled became false
        self._sto_pressed = False
        self._heartbeat = False
        self._withdrawn = False
        self._beat_s: float | None = None
        self._now_s = 0.0

    @property
    def torque_enabled(self) -> bool:
        """False while safe torque off is active: by its own button or because the permit is gone."""
        return self.permit and not self._sto_pressed

    def step(self, time_s: float) -> None:
        """One cycle at a plant time: supervise the heartbeat once a first beat was seen."""
        self._now_s = time_s
        if self._beat_s is not None and self._heart_stopped():
            cause = f"the heartbeat has not changed for {HEARTBEAT_TIMEOUT_S:g} s"
            self._open(cause, at_s=self._beat_s + HEARTBEAT_TIMEOUT_S)

    def press(self, button: Button) -> None:
        """A person does something. Raises `ResetRefusedError` where reset has no effect."""
        match button:
            case Button.ESTOP:
                self.estop_released = False
                self._open("the E-stop was pressed")
            case Button.RELEASE_ESTOP:
                self.estop_released = True
            case Button.OPEN_GUARD:
                self.guard_closed = False
                self._open("the guard was opened")
            case Button.CLOSE_GUARD:
                self.guard_closed = True
            case Button.LOCAL | Button.REMOTE:
                self.remote_selected = button is Button.REMOTE
            case Button.STO | Button.RELEASE_STO:
                self._sto_pressed = button is Button.STO
                self._note_torque(self._now_s)
            case Button.PRESS_START_RELEASE | Button.LET_GO_START_RELEASE:
                self.release_pressed = button is Button.PRESS_START_RELEASE
            case Button.RESET:
                self._reset()

    def beat(self, *, high: bool) -> None:
        """The heartbeat coil as written; only a change is a beat."""
        if high is not self._heartbeat:
            self._heartbeat = high
            self._beat_s = self._now_s

    def hear_on(self) -> None:
        """A heartbeat that goes on counts as heard now, as while nobody asks because time is leapt over."""
        if self._beat_s is not None and not self._heart_stopped():
            self._beat_s = self._now_s

    def withdraw(self) -> None:
        """The wire asks the chain to open; the coil reads 1 until reset."""
        self._withdrawn = True
        self._open("the permit was withdrawn over the wire")

    def read_discrete_inputs(self, address: int, count: int) -> Sequence[bool]:
        """The six inputs."""
        bits = (
            self.guard_closed,
            self.estop_released,
            self.remote_selected,
            self.torque_enabled,
            self.permit,
            self.release_pressed,
        )
        if address + count > len(bits):
            raise ModbusRefusal(ILLEGAL_DATA_ADDRESS)
        return bits[address : address + count]

    def read_coils(self, address: int, count: int) -> Sequence[bool]:
        """Heartbeat and start warning as last written, withdrawal until reset."""
        bits = (self._heartbeat, self._withdrawn, self.start_warning)
        if address + count > len(bits):
            raise ModbusRefusal(ILLEGAL_DATA_ADDRESS)
        return bits[address : address + count]

    def write_coil(self, address: int, *, on: bool) -> None:
        """A beat, the horn, or a withdrawal; taking a withdrawal back over the wire has no effect."""
        if address == HEARTBEAT_COIL:
            self.beat(high=on)
        elif address == WITHDRAW_COIL:
            if on:
                self.withdraw()
        elif address == START_WARNING_COIL:
            self.start_warning = on
        else:
            raise ModbusRefusal(ILLEGAL_DATA_ADDRESS)

    def _heart_stopped(self) -> bool:
        return self._beat_s is not None and self._now_s - self._beat_s > HEARTBEAT_TIMEOUT_S

    def _open(self, cause: str, *, at_s: float | None = None) -> None:
        if self.permit:
            self.permit = False
            self.opened_by = cause
            self._note_torque(self._now_s if at_s is None else at_s)

    def _note_torque(self, at_s: float) -> None:
        if self.torque_enabled:
            self.no_torque_since_s = None
        elif self.no_torque_since_s is None:
            self.no_torque_since_s = at_s

    def _reset(self) -> None:
        if not self.estop_released:
            raise ResetRefusedError("Reset has no effect: the E-stop is pressed; release it first.")
        if not self.guard_closed:
            raise ResetRefusedError("Reset has no effect: the guard is open; close it first.")
        if self._heart_stopped():
            raise ResetRefusedError("Reset has no effect: the heartbeat has stopped; bring it back first.")
        self._withdrawn = False
        self.permit = True
        self._note_torque(self._now_s)
