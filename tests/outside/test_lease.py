"""One client commands at a time, and a number of an earlier lease is worth nothing, whoever shows it."""

import pytest

from benchd.outside.lease import ControlHeld, Held, Lease, NotInControl


def taken(lease: Lease, holder: str = "ines", *, fence: int | None = None, now_mono_s: float = 0.0) -> Held:
    return lease.take(holder, fence=fence, lease_s=30.0, now_mono_s=now_mono_s)


def test_nobody_commands_at_first() -> None:
    lease = Lease(first_fence=7)
    assert lease.held(now_mono_s=0.0) is None
    with pytest.raises(NotInControl, match="take it first"):
        lease.check("ines", fence=None, now_mono_s=0.0)
    with pytest.raises(NotInControl, match="number 7 is of an earlier lease"):
        lease.check("ines", fence=7, now_mono_s=0.0)


def test_whoever_takes_it_is_told_the_first_number_and_commands_until_it_ends() -> None:
    lease = Lease(first_fence=7)
    assert taken(lease, now_mono_s=100.0) == Held(holder="ines", fence=7, until_mono_s=130.0)
    lease.check("ines", fence=7, now_mono_s=129.999)
    assert lease.held(now_mono_s=130.0) is None
    with pytest.raises(NotInControl, match="earlier lease"):
        lease.check("ines", fence=7, now_mono_s=130.0)


def test_others_are_told_who_commands_and_for_how_long() -> None:
    lease = Lease(first_fence=1)
    taken(lease)
    with pytest.raises(ControlHeld, match=r"^ines holds control for another 20 s"):
        taken(lease, "bashir", now_mono_s=10.0)
    with pytest.raises(ControlHeld, match="ines holds control: only Stop and Abort"):
        lease.check("bashir", fence=1, now_mono_s=10.0)
    assert lease.held(now_mono_s=10.0) == Held(holder="ines", fence=1, until_mono_s=30.0)


def test_keeping_it_keeps_the_number_and_moves_the_end() -> None:
    lease = Lease(first_fence=1)
    taken(lease)
    kept = taken(lease, fence=1, now_mono_s=20.0)
    assert (kept.fence, kept.until_mono_s) == (1, 50.0)


def test_a_second_program_under_the_same_name_fences_the_first_one_out() -> None:
    lease = Lease(first_fence=1)
    first = taken(lease)
    second = taken(lease, now_mono_s=1.0)
    assert second.fence > first.fence
    lease.check("ines", fence=second.fence, now_mono_s=2.0)
    with pytest.raises(NotInControl, match=f"number {first.fence} is of an earlier lease"):
        lease.check("ines", fence=first.fence, now_mono_s=2.0)
    with pytest.raises(NotInControl):
        taken(lease, fence=first.fence, now_mono_s=2.0)
    assert lease.held(now_mono_s=2.0) == second


def test_a_lease_that_ended_is_not_kept_but_taken_anew() -> None:
    lease = Lease(first_fence=1)
    taken(lease)
    with pytest.raises(NotInControl):
        taken(lease, fence=1, now_mono_s=30.0)
    assert lease.held(now_mono_s=30.0) is None
    assert taken(lease, now_mono_s=30.0).fence == 2


def test_the_number_never_comes_back_after_a_release() -> None:
    lease = Lease(first_fence=1)
    taken(lease)
    lease.release()
    assert lease.held(now_mono_s=1.0) is None
    lease.release()
    assert taken(lease, "bashir", now_mono_s=1.0).fence == 2
    with pytest.raises(ControlHeld):
        lease.check("ines", fence=1, now_mono_s=1.0)


def test_who_is_refused_uses_up_no_number() -> None:
    lease = Lease(first_fence=1)
    taken(lease)
    for _ in range(5):
        with pytest.raises(ControlHeld):
            taken(lease, "bashir")
    lease.release()
    assert taken(lease, "bashir").fence == 2
