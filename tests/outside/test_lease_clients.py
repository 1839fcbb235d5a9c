"""Clients take, keep, lose and forget control in any order: one number is in force, and old ones are worth nothing."""

import json
from typing import Any

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from benchd.outside.admission import Admitted, Answered, Arrived
from benchd.outside.commands import FENCED, FREE_STOPS, Code, ControlCommand, Reply
from benchd.outside.lease import ControlHeld, NotInControl

from .test_admission import arguments
from .the_gate import Gate

clients = st.sampled_from(["ines", "bashir", "night-shift"])


class Clients(RuleBasedStateMachine):
    """Every command goes through the gate as bytes; what must be true is kept beside it in three plain values."""

    @initialize()
    def a_bench(self) -> None:
        self.gate = Gate()
        self.fences: list[int] = []  # every number ever given
        self.holder: tuple[str, int] | None = None  # by this test's own reckoning
        self.until_mono_s = 0.0
        self.sent: list[tuple[str, str, bytes, Reply]] = []  # what was asked and its last answer
        self.number = 0

    def in_force(self) -> tuple[str, int] | None:
        return self.holder if self.gate.mono_s < self.until_mono_s else None

    def a_fence(self, data: st.DataObject) -> int | None:
        return data.draw(st.none() | st.sampled_from([0, *self.fences, max(self.fences, default=0) + 1]))

    def send(self, name: str, client: str, **fields: Any) -> Admitted | Answered:
        self.number += 1
        payload = json.dumps(self.gate.command(id=f"n{self.number}", client=client, **fields)).encode()
        answer = self.gate.ask(name, payload)
        if isinstance(answer, Answered):
            assert answer.reply is not None
            self.sent.append((name, client, payload, answer.reply))
        else:
            self.sent.append((name, client, payload, self.obey(answer)))
        return answer

    def obey(self, admitted: Admitted) -> Reply:
        """As the daemon obeys: control and release change the lease, the rest is done at once."""
        command, code = admitted.command, Code.OK
        if isinstance(command, ControlCommand):
            try:
                self.gate.lease.take(
                    command.client,
                    fence=command.fence,
                    lease_s=command.arguments.lease_s,
                    now_mono_s=self.gate.mono_s,
                )
            except ControlHeld:
                code = Code.CONTROL_HELD
            except NotInControl:
                code = Code.NOT_IN_CONTROL
        elif admitted.name == "release":
            self.gate.lease.release()
        reply = self.gate.reply(
            id=command.id, command=admitted.name, code=code, stage="done" if code == Code.OK else "rejected"
        )
        self.gate.admission.answered(command.client, reply)
        return reply

    @rule(client=clients, data=st.data(), lease_s=st.sampled_from([5.0, 30.0, 600.0]))
    def take_or_keep_control(self, client: str, data: st.DataObject, lease_s: float) -> None:
        fence = self.a_fence(data)
        before = self.in_force()
        self.send("control", client, fence=fence, arguments={"lease_s": lease_s})
        code = self.sent[-1][3].code
        if before is not None and before[0] != client:
            assert code == Code.CONTROL_HELD
        elif fence is not None and before != (client, fence):
            assert code == Code.NOT_IN_CONTROL
        else:
            assert code == Code.OK
            held = self.gate.lease.held(now_mono_s=self.gate.mono_s)
            assert held is not None
            assert held.holder == client
            if fence is None:
                assert all(held.fence > earlier for earlier in self.fences)
                self.fences.append(held.fence)
            else:
                assert held.fence == fence
            self.holder, self.until_mono_s = (client, held.fence), self.gate.mono_s + lease_s

    @rule(client=clients, data=st.data(), name=st.sampled_from(sorted(FENCED)))
    def command(self, client: str, data: st.DataObject, name: Any) -> None:
        fence = self.a_fence(data)
        rightful = self.in_force() == (client, fence)
        answer = self.send(name, client, fence=fence, arguments=arguments(name))
        assert isinstance(answer, Admitted) == rightful
        if rightful and name == "release":
            self.holder = None

    @rule(client=clients, data=st.data(), name=st.sampled_from(sorted(FREE_STOPS)))
    def stop(self, client: str, data: st.DataObject, name: Any) -> None:
        assert isinstance(self.send(name, client, fence=self.a_fence(data)), Admitted)

    @rule(data=st.data())
    def the_same_again(self, data: st.DataObject) -> None:
        if self.sent:
            name, _, payload, reply = data.draw(st.sampled_from(self.sent))
            answer = self.gate.ask(name, payload)
            if name in FREE_STOPS:
                assert isinstance(answer, Admitted)  # the first one is over: to stop twice does no harm
                self.obey(answer)
            else:
                assert isinstance(answer, Answered)
                assert answer.reply == reply

    @rule(data=st.data())
    def the_same_id_for_another_command(self, data: st.DataObject) -> None:
        if self.sent:
            _, asker, payload, _ = data.draw(st.sampled_from(self.sent))
            given = json.loads(payload)
            known = (asker, given["id"]) in self.gate.admission._known
            other = json.dumps(self.gate.command(id=given["id"], client=asker, ttl_s=9.5)).encode()
            answer = self.gate.admission.consider(Arrived(topic=self.gate.topics.command("reset"), payload=other))
            assert isinstance(answer, Answered)  # no number, so it is never let in
            assert answer.code == Code.ID_REUSED or not known

    @rule(seconds=st.sampled_from([0.001, 4.999, 5.0, 30.0, 700.0]))
    def time_passes(self, seconds: float) -> None:
        self.gate.later(seconds)

    @invariant()
    def one_number_at_most_is_in_force(self) -> None:
        if hasattr(self, "gate"):
            held = self.gate.lease.held(now_mono_s=self.gate.mono_s)
            assert (None if held is None else (held.holder, held.fence)) == self.in_force()


Clients.TestCase.settings = settings(max_examples=30, stateful_step_count=30, deadline=None)
TestClients = Clients.TestCase
