"""`benchctl manual`: a manual session from a terminal, over MQTT only. It must never touch a device itself."""

from typing import Annotated

import typer

from benchd.app.access import (
    Access,
    BenchOption,
    BrokerOption,
    JsonOption,
    NameOption,
    PasswordOption,
    UserOption,
    reach,
)
from benchd.app.manual_prompt import ManualPrompt
from benchd.app.run_followed import FollowedRun
from benchd.app.voice import Voice
from benchd.outside.client import BenchClient

KEEP_S = 3600  # how long the broker keeps announcements for a client that follows a run
MaxSpeedOption = Annotated[float | None, typer.Option(help="r/min, in either direction; else the rated speed.")]
MaxTorqueOption = Annotated[float | None, typer.Option(help="N·m, in either direction; else the rated torque.")]
MaxVoltageOption = Annotated[float | None, typer.Option(help="V; else the rated voltage.")]
MaxCurrentOption = Annotated[float | None, typer.Option(help="A, of the supply; else the rated current.")]


def manual(
    motor: Annotated[str, typer.Argument(metavar="MOTOR", help="The specimen's rating plate.")],
    setup: Annotated[str, typer.Argument(metavar="SETUP", help="What couples it to the bench.")],
    *,
    order: Annotated[str, typer.Option(help="Order number.")],
    serial: Annotated[str, typer.Option(help="Serial number of the specimen.")],
    operator: Annotated[str, typer.Option(help="Who is responsible at the bench.")],
    max_speed: MaxSpeedOption = None,
    max_torque: MaxTorqueOption = None,
    max_voltage: MaxVoltageOption = None,
    max_current: MaxCurrentOption = None,
    broker: BrokerOption = "localhost",
    bench: BenchOption = None,
    name: NameOption = None,
    username: UserOption = None,
    password_file: PasswordOption = None,
    as_json: JsonOption = False,
) -> None:
    """Start a manual session and order line by line: speed, torque, voltage, jog, small steps, zero; `help` lists them.

    The same limits hold as in every run, and an order beyond one is refused. When this command ends without `leave`,
    its terminal closes or the network fails, the bench comes to rest by itself. Ctrl-C asks the bench to stop, a second
    one to abort. benchd is not a safety function: the emergency stop is at the bench, and so must you be.
    """
    access = Access(
        broker=broker, bench=bench, name=name, username=username, password_file=password_file, as_json=as_json
    )
    limits = {
        "max_speed_rpm": max_speed,
        "max_torque_nm": max_torque,
        "max_voltage_v": max_voltage,
        "max_current_a": max_current,
    }
    choice = {"motor": motor, "setup": setup, "order": order, "serial": serial, "operator": operator, **limits}

    async def play(client: BenchClient, voice: Voice) -> int:
        hand = ManualPrompt(client, voice, on_reply=lambda reply: voice.record("reply", reply))
        return await FollowedRun(client, choice, voice, hand=hand).play()

    reach(access, play, data=True, keep_s=KEEP_S)
