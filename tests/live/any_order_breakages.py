"""What can go wrong on the twin of a bench, in one list; it strikes, keeps account of what is broken, and mends.

A blow is where, what and how much: a wire's fault and for how many messages (0: until mended), a fault of the plant and
its value, a button, a device's own protection, a full disk.
"""

import contextlib
import dataclasses

from hypothesis import strategies as st

from benchd.live.run import RecordingFailed
from benchd_rig.commands import PlantFaults
from benchd_rig.safety_chain import Button, ResetRefusedError
from benchd_rig.wire_faults import KINDS

from .twin_bench import OnTwin

DEVICES = ("supply", "sink", "load_drive", "measuring_unit", "safety_chain", "thermometers", "cabinet_thermometers")
LATE_S = (0.05, 0.15, 0.25)
PLANT = {
    "coupling_broken": True,
    "current_lead_open": True,
    "encoder_lost": True,
    "encoder_silent": True,
    "load_runs_away": True,
    "rotor_jammed": True,
    "sense_lead_open": True,
    "sink_dead": True,
    "transducer_lead_open": True,
    "transducer_offset_nm": 1.95,
    "transducer_sign_flipped": True,
    "winding_thermometer_open": True,
}
OPENING = (Button.ESTOP, Button.OPEN_GUARD, Button.LOCAL, Button.STO)
CLOSING = (Button.RELEASE_ESTOP, Button.CLOSE_GUARD, Button.REMOTE, Button.RELEASE_STO, Button.RESET)
WIRES = [
    (device, kind)
    for device in DEVICES
    for kind in (
        *("hang", "refuse", "drop", "garbage", "truncated_reply", "wrong_transaction", "late_reply", "wrong_identity"),
        *("stuck_value", "ignore_writes", "says_no", "nan", "one_byte_at_a_time", "duplicate_reply"),
    )
    if KINDS[kind].exists_on(device=device, wire="modbus") or KINDS[kind].exists_on(device=device, wire="scpi")
]
Blow = tuple[str, str, float]
BLOWS: st.SearchStrategy[Blow] = st.one_of(
    st.builds(lambda wire, times: (*wire, float(times)), st.sampled_from(WIRES), st.sampled_from([0, 0, 0, 1, 3])),
    st.sampled_from([("plant", name, float(value)) for name, value in PLANT.items()]),
    st.sampled_from([("plant", "transducer_offset_nm", 0.5)]),
    st.sampled_from([("button", button.value, 0.0) for button in OPENING]),
    st.sampled_from([("trip", device, 0.0) for device in ("supply", "sink", "load_drive")]),
    st.just(("disk", "full", 0.0)),
)


class Breakages:
    """What is broken just now and since when (`since_s`); what was since the bench was reset last (`touched`)."""

    def __init__(self, bench: OnTwin) -> None:
        self._bench = bench
        self.since_s: dict[str, float] = {}
        self.touched: set[str] = set()

    def of(self, device: str) -> bool:
        """Whether a device's own wire is or was broken."""
        return any(what.startswith(f"{device}:") for what in (*self.touched, *self.since_s))

    def reset(self) -> None:
        """The bench is reset: what does not last is over."""
        self.touched = set(self.since_s)

    def strike(self, blow: Blow, now_s: float) -> None:
        where, what, amount = blow
        rig = self._bench.rig
        rig.advance()
        match where:
            case "plant":
                switch = isinstance(getattr(PlantFaults(), what), bool)
                rig.set_plant_fault(what, bool(amount) if switch else amount)
            case "button":
                self.press(Button(what))
                return
            case "trip":
                rig.trip(what)
                self.touched.add(f"trip:{what}")
                return
            case "disk":
                self._bench.recorded.on_flush = _full
            case device:
                if not KINDS[what].exists_on(device=device, wire=rig.faults[device].wire):
                    return
                delay_s = LATE_S[int(now_s * 100.0) % len(LATE_S)]
                parameters = {"delay_s": delay_s} if what == "late_reply" else None
                rig.faults[device].switch(what, on=True, times=int(amount), parameters=parameters)
                what = f"{what} {amount:g} times" if amount else what
        self.since_s.setdefault(f"{where}:{what}", now_s)
        self.touched.add(f"{where}:{what}")

    def press(self, button: Button) -> None:
        self._bench.rig.advance()
        self.touched.add(f"button:{button.value}")
        with contextlib.suppress(ResetRefusedError):
            self._bench.rig.safety_chain.press(button)

    def mend_wire(self, device: str) -> None:
        self._bench.rig.faults[device].clear()
        for what in tuple(self.since_s):
            if what.startswith(f"{device}:"):
                del self.since_s[what]

    def mend(self) -> None:
        """Everything, and somebody resets the chain."""
        rig = self._bench.rig
        rig.advance()
        for device in rig.devices:
            self.mend_wire(device)
        self._bench.recorded.on_flush = lambda: None
        for fault in dataclasses.fields(PlantFaults):
            setattr(rig.plant.faults, fault.name, fault.default)
        self.since_s.clear()
        rig.sink.clear_protection()
        for button in CLOSING:
            with contextlib.suppress(ResetRefusedError):
                rig.safety_chain.press(button)


def _full() -> None:
    raise RecordingFailed("The journal cannot be written: no space left on the disk.")
