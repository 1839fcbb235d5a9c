"""Pure rules of the bench: quantities, channels, frames, limits, states, moves, ramps. No I/O, no asyncio, no clock."""
