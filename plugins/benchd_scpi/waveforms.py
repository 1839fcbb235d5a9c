"""A measuring unit's sample stream over SCPI. It must never keep a sample, and never start the stream by itself."""

import re
from functools import partial

from benchd.contract import Refused, SampleBlock
from benchd_scpi import message
from benchd_scpi.blocks import SAMPLE_BYTES, sample_block
from benchd_scpi.message import Check, Garbled
from benchd_scpi.session import Session
from benchd_scpi.settings import WaveformHeaders, WaveformSettings

LONGEST_BLOCK_S = 10.0  # more samples than this are no block of a unit that is asked many times a second
LITTLE_ENDIAN = "SWAPped"
_CHANNELS = re.compile(r"\(@([0-9]+(?:,[0-9]+)*)\)")


class SampleStream:
    """The sample stream beside the averaged values, over the same connection."""

    def __init__(self, session: Session, settings: WaveformSettings, headers: WaveformHeaders) -> None:
        self._session = session
        self._settings = settings
        self._signals = tuple(each.name for each in settings.inputs)
        self._state_query = f"{headers.state}?"
        sample_bytes = SAMPLE_BYTES * len(self._signals)
        longest_bytes = round(LONGEST_BLOCK_S * settings.rate_hz) * sample_bytes
        self._parts = partial(sample_block, sample_bytes=sample_bytes, longest_bytes=longest_bytes)
        self._read_message = message.compose(f"{headers.data}?")
        self._state_message = message.compose(self._state_query)
        self._off = f"{headers.state} OFF"
        channels = ",".join(str(each.channel) for each in settings.inputs)
        self._start_commands = (
            self._off,
            f"{headers.format} REAL,32",
            f"{headers.byte_order} {LITTLE_ENDIAN[:4]}",
            f"{headers.channels} (@{channels})",
            f"{headers.rate} {message.decimal(settings.rate_hz)}",
            f"{headers.state} ON",
        )
        self._start_checks = (
            _is_real_32(f"{headers.format}?"),
            message.is_keyword(f"{headers.byte_order}?", LITTLE_ENDIAN),
            _is_channels(f"{headers.channels}?", channels),
            message.is_number(f"{headers.rate}?", settings.rate_hz, within=1e-6 * settings.rate_hz, unit="Hz"),
            message.is_flag(self._state_query, True),
        )

    async def start(self) -> None:
        """Start the stream anew at the rate in the settings, counting samples from 0; confirmed by read-back."""
        await self._session.put(self._start_commands, self._start_checks)

    async def read_block(self) -> SampleBlock:
        """All samples since the last block, possibly none. Raises `Refused` while the stream does not run.

        Two exchanges: a unit that does not stream answers the second one with nothing at all, so it is asked first.
        """
        running, _ = await self._session.ask(self._state_message, message.flag)
        if not running:
            raise Refused(f"The sample stream of the {self._session.device} does not run: start it first.")
        found, taken_mono_s = await self._session.ask_parts(self._read_message, self._parts)
        return SampleBlock(
            signals=self._signals,
            rate_hz=self._settings.rate_hz,
            first_index=found.first_index,
            lost=found.lost,
            data=found.data,
            taken_mono_s=taken_mono_s,
        )

    async def stop(self) -> None:
        """End the stream; legal at any time and twice."""
        await self._session.put([self._off], [message.is_flag(self._state_query, False)])


def _is_real_32(query: str) -> Check:
    def holds(text: str) -> bool:
        kind, _, length = text.partition(",")
        return message.same_keyword(kind, "REAL") and length.strip() == "32"

    return Check(query=query, wanted="REAL,32", holds=holds)


def _is_channels(query: str, channels: str) -> Check:
    def holds(text: str) -> bool:
        found = _CHANNELS.fullmatch(text.replace(" ", ""))
        if found is None:
            raise Garbled(f"expected a channel list, got {text!r}")
        return found[1] == channels

    return Check(query=query, wanted=f"(@{channels})", holds=holds)
