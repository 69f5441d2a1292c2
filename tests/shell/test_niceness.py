from __future__ import annotations

import os
import threading

from sootsayer.niceness import KINDLY, step_back


def test_the_thread_that_asks_steps_back_and_no_other() -> None:
    before = os.getpriority(os.PRIO_PROCESS, 0)
    after: list[int] = []

    def kindly() -> None:
        step_back()
        after.append(os.getpriority(os.PRIO_PROCESS, threading.get_native_id()))

    thread = threading.Thread(target=kindly)
    thread.start()
    thread.join(20)
    assert after == [min(19, before + KINDLY)]
    assert os.getpriority(os.PRIO_PROCESS, 0) == before
