import asyncio
from itertools import pairwise

from biofeedback.session.updates import HEARTBEAT_S, Updates


def test_news_wakes_everybody_who_waits_and_a_late_comer_at_once():
    async def scenario():
        updates = Updates()
        waiting = [asyncio.create_task(updates.wait(0)) for _ in range(3)]
        await asyncio.sleep(0)
        updates.publish()
        assert await asyncio.gather(*waiting) == [1, 1, 1]
        assert await updates.wait(0) == 1

    asyncio.run(scenario())


def test_news_that_comes_too_fast_is_told_together_and_none_is_lost():
    async def scenario():
        updates = Updates(most_per_s=50)
        seen, loop = 0, asyncio.get_running_loop()
        times_s = []
        for _ in range(3):
            for _ in range(5):
                updates.publish()
            seen = await updates.wait(seen)
            times_s.append(loop.time())
        assert seen == 3
        assert min(b - a for a, b in pairwise(times_s)) > 0.9 / 50

    asyncio.run(scenario())


def test_without_news_a_page_still_hears_that_we_are_here():
    async def scenario():
        updates, loop = Updates(), asyncio.get_running_loop()
        start_s, seen = loop.time(), 0
        for _ in range(3):
            seen = await updates.wait(seen)
        assert seen == 3
        assert loop.time() - start_s > 2.9 * HEARTBEAT_S

    asyncio.run(scenario())


def test_a_page_that_left_is_forgotten():
    async def scenario():
        updates = Updates()
        gone, stays = (asyncio.create_task(updates.wait(0)) for _ in range(2))
        await asyncio.sleep(0)
        gone.cancel()
        await asyncio.sleep(0)
        updates.publish()
        assert await stays == 1

    asyncio.run(scenario())
