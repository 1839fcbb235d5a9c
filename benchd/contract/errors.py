"""The five ways a driver call can fail, each with exactly one reaction above the driver.

A driver raises these and nothing else on purpose; it never retries, waits or logs by itself. Each message is one
sentence for the engineer: what happened, at which device, and what to look at.
"""


class DriverError(Exception):
    """A driver call did not do what it promises. Never raised itself, only its five kinds."""


class LinkLost(DriverError):
    """The device is gone or silent.

    Scenarios: refused connection, closed socket, no reply in time. Reaction: close, back off, reopen.
    """


class ReplyWrong(DriverError):
    """The device answered, but not to this question, or not with a number.

    Scenarios: garbage, wrong length, wrong register, transaction number of an earlier request, the SCPI value
    "not a number", a read-back that differs from what was written. Reaction: drop the connection and resync;
    after three in a row treat as link lost.
    """


class Refused(DriverError):
    """The device understood and said no.

    Scenarios: SCPI error queue not empty, Modbus exception, drive will not leave a state, wrong identity.
    Reaction: tell the operator; the device keeps its state.
    """


class OutOfRange(DriverError):
    """The value is outside what the device or its settings allow; nothing was sent.

    Reaction: tell the caller; nothing changed.
    """


class DeviceFault(DriverError):
    """The device reports a fault of its own and has let go, or is about to.

    Scenarios: drive in Fault or Fault reaction active, supply with a tripped protection. Reaction: trip.
    """
