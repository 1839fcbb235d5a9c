"""What the interface document says in words. Text only."""

from collections.abc import Mapping
from types import MappingProxyType

from benchd.outside.commands import LONGEST_COMMAND_BYTES, LONGEST_TTL_S, CommandName

TITLE = "benchd: a motor test bench over MQTT"
ABOUT = f"""How other programs and people at a shell look at a motor test bench and command it.

**This is not a safety function.** The hardware safety chain must hold the bench safe without the bench's software,
the broker and the network. Stop and Abort asked here are no emergency stop: nobody may stand near a shaft because a
program over a network is expected to stop it.

`meta` and `state` are retained: whoever subscribes gets them at once. When the bench's connection is lost without a
word the broker publishes its last will, a `state` with `online` false: what the bench does then is not known there, and
it goes on by its own rules.

Commands are JSON objects of at most {LONGEST_COMMAND_BYTES} bytes, at least once (quality of service 1), never
retained. Every command carries an `id` of its own, the `client` that asks, `issued_at` and `ttl_s` (at most
{LONGEST_TTL_S:g} s): a command that comes later is refused, so that nothing starts long after somebody asked. The same
command again is not obeyed again and gets the first answer. What changes something needs the number (`fence`) that
`control` gave; one client at a time has it.

An answer comes in stages: `accepted`, any number of `progress`, and at last `done` or `failed`; or `rejected` alone. It
says why as a `code` for programs and as a sentence for people. Readers ignore keys and codes they do not know: version
1 may grow, but nothing in it is taken away or given another meaning."""

FENCE = "Needs control: the number that `control` gave in `fence`."
NO_FENCE = "Needs no control."
STOPS = (
    "Needs no control, and is obeyed whatever its clock says. It takes energy away; it is no emergency stop and no "
    "safety function."
)

COMMANDS: Mapping[CommandName, str] = MappingProxyType(
    {
        CommandName.CONTROL: (
            "Take control, or keep it by giving the number in `fence`. The answer gives the number and until when."
        ),
        CommandName.RELEASE: "Give control back.",
        CommandName.PROGRAMMES: "Ask which programmes, motors and set-ups a run may name.",
        CommandName.CHECK: "Ask whether a programme, a motor and a set-up fit each other and this bench.",
        CommandName.LOAD: "Choose the next run. Nothing moves.",
        CommandName.ANSWER: (
            "Answer the question that `state` shows. While the daemon plays a run of its own command line no number is "
            "needed for it."
        ),
        CommandName.MANUAL: (
            "Choose a manual session (unit mode Manual) as the next run: speed, torque and voltage are then set by "
            "hand, under the limits of every run. Nothing moves."
        ),
        CommandName.SET: (
            "Order something by hand, in Execute of a manual session: the shaft may turn. What is beyond a clamp or a "
            "limit is refused, and nothing changes."
        ),
        CommandName.KEEP: (
            "Say that the hand of a manual session is still there. Without this and without an order, for the time "
            "that the bench file says (2 s where it says none), the run ends."
        ),
        CommandName.RESET: "Make the bench ready: Stopped or Complete to Idle.",
        CommandName.START: "Play the run that was chosen: the shaft turns.",
        CommandName.HOLD: (
            "Interrupt the run so that it can go on. Whether the shaft still turns then is the test's to say."
        ),
        CommandName.UNHOLD: "Go on with a run that is held.",
        CommandName.STOP: "End the run: brake both machines, take energy away.",
        CommandName.ABORT: "End the run as after a trip: take energy away, latched until Clear.",
        CommandName.CLEAR: "Acknowledge what was latched: Aborted to Stopped. It starts nothing.",
    }
)
