"""What is typed at `benchctl manual`: lines become orders, and a sign of life goes out while the terminal lives.

A terminal that closes, or a client that dies, sends nothing more: the bench then ends the session by itself.
"""

import asyncio
import contextlib
import math
import os
import sys
import termios
from collections.abc import Callable, Mapping
from typing import Any

from benchd.app import heard
from benchd.app.voice import Voice
from benchd.outside.client import BenchClient
from benchd.outside.client_wire import ClientError
from benchd.outside.commands import CommandName, Reply
from benchd.outside.messages import BenchState, Data, LimitMeta, Meta

LONGEST_LINE = 4096
ALIVE_EVERY_S = 0.4
JOG_EVERY_S = 0.15
ANSWER_WITHIN_S = 2.0
BEATS_AT_ONCE = 3  # on their way; a lost answer must not look like a lost hand
PLAYED = frozenset({"Execute", "Holding", "Held", "Unholding"})
SHOWN = ("shaft_speed", "shaft_torque", "dc_voltage", "dc_current")
POWERS = ("motor_power", "input_power", "mechanical_power")  # the first that is there
PLACES: Mapping[str, int] = {"r/min": 0, "N·m": 3, "V": 2, "A": 2, "W": 1, "°C": 0}
DEGC = "°C"
ERASED, CLEARED, ENDED = ("\x7f", "\b"), "\x15", "\x04"  # backspace, Ctrl-U, Ctrl-D
QUANTITIES: Mapping[str, str] = {
    "speed": "speed_rpm",
    "torque": "torque_nm",
    "voltage": "voltage_v",
    "current": "current_a",
    "jog": "jog_rpm",
}
COMMANDS: Mapping[str, CommandName] = {
    "hold": CommandName.HOLD,
    "unhold": CommandName.UNHOLD,
    "stop": CommandName.STOP,
    "abort": CommandName.ABORT,
}
HELP = """\
  speed 1000           the shaft to 1000 r/min             speed +50, speed -50    a step from what was ordered
  torque 0.4           N·m; positive: the motor drives     speed to -500           a negative value, no step
  voltage 24 slope 5   V, no faster than 5 V a second      current 3               A, the supply's current limit
  jog 60               turn at 60 r/min until the next line is entered; an empty line lets go
  by load, by motor    who makes the speed; changes at standstill
  zero                 everything to zero                  leave                   end the session through standstill
  hold, unhold, stop, abort

  What is beyond a limit is refused and changes nothing. When this program ends, its terminal closes or the network
  fails, the bench comes to rest by itself after a moment. benchd is not a safety function: in danger press the
  emergency stop at the bench."""


class NotUnderstood(Exception):
    """A line that is no order; the sentence says what to type."""


def order_in(line: str) -> Mapping[str, object]:
    """The order that a line stands for, as the arguments of `set`. Raises `NotUnderstood` in a sentence."""
    words = line.replace(",", ".").split()
    match words:
        case ["zero" | "leave" as what]:
            return {"what": what}
        case ["by", "motor" | "load" as by] | ["speed", "by", "motor" | "load" as by]:
            return {"what": "speed_by", "speed_by": by}
        case [name, *rest] if name in QUANTITIES:
            return {"what": QUANTITIES[name], **_amount(name, rest)}
        case _:
            raise NotUnderstood(f'"{line}" is no order: type help.')


def _amount(name: str, words: list[str]) -> dict[str, object]:
    """Value, whether it is a step, and slope."""
    absolute = words[:1] == ["to"]
    words = words[1:] if absolute else words
    sloped = words[1:2] == ["slope"] and len(words) == 3
    if len(words) != 1 and not sloped:
        raise NotUnderstood(f"Type such as: {name} 10, {name} +1, {name} to -10, {name} 10 slope 2.")
    value = words[0]
    step = not absolute and name != "jog" and value[:1] in {"+", "-"}
    found: dict[str, object] = {"value": _number(value)}
    if step:
        found["relative"] = True
    if sloped:
        found["slope_per_s"] = _number(words[2])
    return found


def _number(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise NotUnderstood(f'"{text}" is no number.')
    return value


class ManualPrompt:
    """Reads lines while the session is played; `fence` gives the present number."""

    def __init__(self, client: BenchClient, voice: Voice, *, on_reply: Callable[[Reply], None]) -> None:
        self._client = client
        self._voice = voice
        self._on_reply = on_reply
        self.fence: Callable[[], int | None] = lambda: None
        self._played = False
        self._values: dict[str, float] = {}
        self._typed = ""
        self._shown = ""
        self._terminal: list[Any] | None = None  # as it was before
        self._input: int | None = None
        self._jog: Mapping[str, object] | None = None
        self._asking = 0
        self._greeted = False

    async def live(self) -> None:
        """Read, and say that somebody is there, until the input ends or the task is cancelled."""
        loop = asyncio.get_running_loop()
        with contextlib.suppress(OSError, ValueError, AttributeError):  # closed, or none
            self._input = sys.stdin.fileno()
            loop.add_reader(self._input, self._read)
            self._take_terminal(self._input)
        try:
            while self._input is not None:
                if self._played and self._asking < BEATS_AT_ONCE:
                    self._greet()
                    jog = self._jog
                    self._client.begin(self._ask(CommandName.KEEP if jog is None else CommandName.SET, jog))
                await asyncio.sleep(ALIVE_EVERY_S if self._jog is None else JOG_EVERY_S)
        finally:
            self.close()

    def close(self) -> None:
        """Read nothing more, and say nothing more."""
        self._jog = None
        if self._input is not None:
            asyncio.get_running_loop().remove_reader(self._input)
            if self._terminal is not None:
                with contextlib.suppress(termios.error):
                    termios.tcsetattr(self._input, termios.TCSADRAIN, self._terminal)
            self._input = self._terminal = None

    def _take_terminal(self, descriptor: int) -> None:
        """Have each key as it is pressed: what is typed is shown beside what is measured, which would overwrite it."""
        if not os.isatty(descriptor):
            return
        with contextlib.suppress(termios.error):
            self._terminal = termios.tcgetattr(descriptor)
            keys = termios.tcgetattr(descriptor)
            keys[3] &= ~(termios.ICANON | termios.ECHO)
            termios.tcsetattr(descriptor, termios.TCSADRAIN, keys)

    def hear(self, state: BenchState, *, ours: bool) -> None:
        """How the bench is; `ours` where it was said after our own start."""
        self._played = ours and state.mode == "manual" and state.state in PLAYED

    def shown(self, data: Data, meta: Meta | None) -> str:
        """What is measured, in one line; "" while the session is not played."""
        for name, value in data.values.items():
            if value is None or name in data.quality:
                self._values.pop(name, None)
            else:
                self._values[name] = value
        if not self._played:
            return ""
        units = {} if meta is None else {channel.name: channel.unit for channel in meta.channels}
        values = self._values
        names = [name for name in SHOWN if name in values] + [name for name in POWERS if name in values][:1]
        warm = [name for name, unit in units.items() if unit == DEGC and name in values]
        names += [max(warm, key=lambda name: values[name])] if warm else []
        told = [f"{values[name]:z.{PLACES.get(units[name], 3)}f} {units[name]}" for name in names if name in units]
        self._shown = heard.plain("  ".join([*told, nearest_limit(meta, values)]))
        return self._line_shown()

    def _line_shown(self) -> str:
        """What is typed, then what is measured."""
        return f"> {self._typed}  {self._shown}"

    def _greet(self) -> None:
        if not self._greeted:
            self._greeted = True
            self._voice.line(f"{self._client.bench} is set by hand now. Type an order and Enter, or help:\n\n{HELP}\n")

    def _read(self) -> None:
        if self._input is None:
            return
        try:
            came = os.read(self._input, LONGEST_LINE)
        except OSError:
            came = b""
        if not came:
            self._end()
            return
        for key in came.decode("utf-8", "replace"):
            if key == ENDED and not self._typed and self._terminal is not None:
                self._end()
                return
            self._press(key)
        if self._shown and self._played:
            self._voice.progress(self._line_shown())

    def _press(self, key: str) -> None:
        """One key, or one character of what comes through a pipe."""
        if key in {"\n", "\r"}:
            line, self._typed = self._typed.strip(), ""
            self.line(line)
        elif key in ERASED:
            self._typed = self._typed[:-1]
        elif key == CLEARED:
            self._typed = ""
        elif key.isprintable() and len(self._typed) < LONGEST_LINE:
            self._typed += key

    def _end(self) -> None:
        self.close()
        self._voice.sentence("The input has ended: nobody is there any more for the bench, and it comes to rest.")

    def line(self, typed: str) -> None:
        """One line as it was typed."""
        self._jog = None
        if not typed:
            return
        if typed == "help":
            self._voice.line(HELP)
            return
        if typed in COMMANDS:
            self._client.begin(self._ask(COMMANDS[typed], None))
            return
        try:
            order = order_in(typed)
        except NotUnderstood as error:
            self._voice.sentence(heard.plain(str(error)))
            return
        if not self._played:
            self._voice.sentence("Orders are followed in Execute only.")
            return
        if order["what"] == "jog_rpm":
            self._jog = order
        self._client.begin(self._ask(CommandName.SET, order))

    async def _ask(self, name: CommandName, arguments: Mapping[str, object] | None) -> None:
        """Ask once; what is refused is said, and a jog that is refused is let go."""
        beats = name in {CommandName.KEEP, CommandName.SET}
        self._asking += beats
        try:
            async with asyncio.timeout(ANSWER_WITHIN_S if beats else None):
                reply = await self._client.ask(name, arguments, fence=self.fence())
        except TimeoutError:
            if name is CommandName.SET:
                self._jog = None
                self._voice.sentence("The bench did not answer in time: whether it obeyed is not known here.")
            return
        except ClientError as error:
            self._voice.sentence(str(error))
            return
        finally:
            self._asking -= beats
        if name is not CommandName.KEEP:
            self._on_reply(reply)
        if reply.stage != "done" and (name is not CommandName.KEEP or self._played):
            self._jog = None
            if name is not CommandName.KEEP:
                self._voice.sentence(heard.plain(reply.sentence))


def nearest_limit(meta: Meta | None, values: Mapping[str, float]) -> str:
    """The limit that a value is nearest to and that takes energy away, as a share of it; "" where none is known."""
    shares = [
        (share, limit)
        for limit in (() if meta is None else meta.limits)
        if (share := _share(limit, values)) is not None
    ]
    if not shares:
        return ""
    share, limit = max(shares, key=lambda one: one[0])
    return f"nearest limit: {limit.channel} {100.0 * share:.0f} % of {limit.value:g}"


def _share(limit: LimitMeta, values: Mapping[str, float]) -> float | None:
    """How much of the way from zero to the bound is gone; None for one that is no such bound."""
    value = values.get(limit.channel)
    outward = limit.value > 0.0 if limit.bound == "high" else limit.value < 0.0
    if value is None or limit.bound == "stale" or limit.reaction == "warn" or not outward:
        return None
    return value / limit.value
