"""A car on a multicast group, for tests with two processes: ``python can_car_process.py UNITS``.

The port comes from the environment (CAN_CONFIG), as python-can reads it. Ends when its standard
input is closed, so that it can never be left behind.
"""

from __future__ import annotations

import sys

import can

from can_rig import TellingCar
from sootsayer.clock import LogClock
from sootsayer.demo.bus import BusCar
from sootsayer.demo.monitor import Memory

GROUP = "239.74.163.2"


def main(units: int) -> None:
    bus = can.Bus(interface="udp_multicast", channel=GROUP)
    with BusCar(TellingCar(units, Memory().failed("P0401")), LogClock(0), bus):
        print("ready", flush=True)
        sys.stdin.read()
    bus.shutdown()


if __name__ == "__main__":
    main(int(sys.argv[1]))
