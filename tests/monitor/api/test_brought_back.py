"""What another thread has done comes back to the loop: each to its own, many with one wake, late ones to nobody."""

import asyncio
import threading
from concurrent.futures import Future

import pytest

from monitor.api.brought_back import brought_back


def in_thread(run):
    thread = threading.Thread(target=run)
    thread.start()
    return thread


def test_each_waiter_gets_its_own_result_or_error():
    """Set in any order by threads that know nothing of the loop."""
    futures = [Future() for _ in range(200)]

    def finish(part):
        for n in part:
            futures[n].set_exception(ValueError(f"{n}")) if n % 7 == 0 else futures[n].set_result(n)

    async def run():
        waiting = [asyncio.ensure_future(brought_back(future, 20.0)) for future in futures]
        await asyncio.sleep(0)
        threads = [in_thread(lambda k=k: finish(range(199 - k, -1, -4))) for k in range(4)]
        found = await asyncio.gather(*waiting, return_exceptions=True)
        for thread in threads:
            await asyncio.to_thread(thread.join)
        return found

    for n, found in enumerate(asyncio.run(run())):
        assert (str(found) == str(n) and isinstance(found, ValueError)) if n % 7 == 0 else found == n


def test_many_that_are_done_together_wake_the_loop_once(monkeypatch):
    """The thread that has done them is not held up for each."""
    woken = []

    async def run():
        loop = asyncio.get_running_loop()
        call = loop.call_soon_threadsafe
        monkeypatch.setattr(loop, "call_soon_threadsafe", lambda *args: (woken.append(1), call(*args)))
        for _ in range(2):
            futures = [Future() for _ in range(50)]
            waiting = [asyncio.ensure_future(brought_back(future, 20.0)) for future in futures]
            await asyncio.sleep(0)
            for future in futures:
                future.set_result(1)  # in the loop's own thread: it cannot look before all are done
            await asyncio.gather(*waiting)

    asyncio.run(run())
    assert len(woken) == 2


def test_what_comes_after_patience_is_left_alone():
    """The waiter hears of the time; what is done later is done, and told to nobody."""

    async def run():
        future = Future()
        with pytest.raises(TimeoutError):
            await brought_back(future, 0.01)
        assert not future.cancelled()
        future.set_result(1)
        await asyncio.sleep(0.01)
        return future.result()

    assert asyncio.run(run()) == 1


def test_what_is_done_after_the_loop_is_closed_disturbs_nobody(caplog):
    """The service has ended meanwhile: the writer's thread goes on."""
    future = Future()

    async def run():
        task = asyncio.ensure_future(brought_back(future, 20.0))
        await asyncio.sleep(0)
        task.cancel()

    asyncio.run(run())
    future.set_result(1)
    assert not caplog.records
