"""No test of this folder may leave a task behind."""

import asyncio
from collections.abc import Iterator

import pytest

from benchd.live.virtual_time import VirtualTimeStuck


class TaskWatch:
    """Looks at every asyncio.Runner when it closes, before it cancels what is left."""

    def __init__(self) -> None:
        self.leaked: list[str] = []
        self._open: list[asyncio.Runner] = []

    def install(self, monkeypatch: pytest.MonkeyPatch) -> None:
        run, close = asyncio.Runner.run, asyncio.Runner.close

        def watched_run(runner, coro, **named):
            if runner not in self._open:
                self._open.append(runner)
            try:
                return run(runner, coro, **named)
            except VirtualTimeStuck:
                self._open.remove(runner)  # a deadlock has tasks that still wait, that is what it is
                raise

        def watched_close(runner):
            self._look(runner)
            close(runner)

        monkeypatch.setattr(asyncio.Runner, "run", watched_run)
        monkeypatch.setattr(asyncio.Runner, "close", watched_close)

    def look(self) -> None:
        for runner in list(self._open):
            self._look(runner)

    def _look(self, runner: asyncio.Runner) -> None:
        if runner in self._open:
            self._open.remove(runner)
            loop = runner.get_loop()
            if not loop.is_closed():
                self.leaked += sorted(repr(task) for task in asyncio.all_tasks(loop))


@pytest.fixture(autouse=True)
def task_watch(monkeypatch: pytest.MonkeyPatch) -> Iterator[TaskWatch]:
    """Fails the test that leaves a task behind; `leaked` lists what was seen so far."""
    watch = TaskWatch()
    watch.install(monkeypatch)
    yield watch
    watch.look()
    if watch.leaked:
        pytest.fail("tasks were left behind:\n" + "\n".join(watch.leaked))
