"""No test of this folder may leave a task behind; a test marked `virtual_time` runs on the virtual loop."""

import asyncio
from collections.abc import Callable, Iterator, Mapping

import pytest

from benchd.live.virtual_time import VirtualTimeLoop, VirtualTimeStuck


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "virtual_time: the async test runs on the virtual-time loop")


def pytest_asyncio_loop_factories(
    config: pytest.Config, item: pytest.Item
) -> Mapping[str, Callable[[], asyncio.AbstractEventLoop]]:
    if item.get_closest_marker("virtual_time") is not None:
        return {"virtual": VirtualTimeLoop}
    return {"real": asyncio.new_event_loop}


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
