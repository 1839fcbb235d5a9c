"""The communication watchdog of an instrument: it runs out when no message has come for its period.

Its one job is to say when; what is taken away then is the device's. Time is the plant's.
"""

from benchd_rig.scpi_instrument import Parameters, ScpiInstrument
from benchd_rig.scpi_parameters import fixed, number

LONGEST_S = 60.0
_DECIMALS = 3
_HEADER = "SYSTem:COMMunicate:TIMeout"


class CommunicationWatchdog:
    """Off at a period of 0, as after power-up."""

    def __init__(self) -> None:
        self.period_s = 0.0
        self._now_s = 0.0
        self._heard_s = 0.0

    def message_arrived(self) -> None:
        """Any message on the wire feeds it."""
        self._heard_s = self._now_s

    def ran_out(self, time_s: float, *, watching: bool) -> bool:
        """Whether it has run out at this plant time; while it does not watch, the silence does not count."""
        self._now_s = time_s
        if not watching:
            self._heard_s = time_s
        return self.period_s > 0.0 and time_s - self._heard_s > self.period_s


def watchdog_commands(instrument: ScpiInstrument, watchdog: CommunicationWatchdog) -> None:
    """Set and ask the period, s."""

    def period(parameters: Parameters) -> None:
        watchdog.period_s = round(number(parameters[0], unit="S", low=0.0, high=LONGEST_S, default=0.0), _DECIMALS)

    instrument.on(_HEADER, period, parameters=(1, 1))
    instrument.on(f"{_HEADER}?", lambda _: fixed(watchdog.period_s, decimals=_DECIMALS))
