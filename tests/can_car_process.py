"""The demo car on a multicast group: ``python can_car_process.py UNITS LOG_MS_OF_MOVING_OFF``.

Both processes have the clock of this machine's boot. The port comes from the environment
(CAN_CONFIG), as python-can reads it. Ends when its standard input is closed, so that it can never
be left behind.
"""

from __future__ import annotations

import sys

import can

from can_driven import DrivenCar
from sootsayer.clock import LogClock
from sootsayer.demo.bus import BusCar

GROUP = "239.74.163.2"


def main(units: int, base_ms: int) -> None:
    bus = can.Bus(interface="udp_multicast", channel=GROUP)
    with BusCar(DrivenCar(units, base_ms), LogClock(0), bus):
        print("ready", flush=True)
        sys.stdin.read()
    bus.shutdown()


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
