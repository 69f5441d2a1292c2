"""How J1979 raw integers become values. One name per scaling, stored beside the integers.

Factors are those of SAE J1979 as told in ISO 15031-5; where an edition differs the row of the
parameter table in ``pids`` says so.
"""

from __future__ import annotations

from sootsayer.model import Scaling

PERCENT = Scaling("pct255", 100 / 255, 0.0, "%")
PERCENT_SIGNED = Scaling("pct128", 100 / 128, -100.0, "%")
TORQUE_PERCENT = Scaling("pct-125", 1.0, -125.0, "%")
PERCENT_1 = Scaling("pct1", 1.0, 0.0, "%")
CELSIUS = Scaling("degc-40", 1.0, -40.0, "°C")
CELSIUS_WIDE = Scaling("degc4-40", 4.0, -40.0, "°C")
CELSIUS_TENTH = Scaling("degc0.1-40", 0.1, -40.0, "°C")
KPA = Scaling("kpa1", 1.0, 0.0, "kPa")
KPA_10 = Scaling("kpa10", 10.0, 0.0, "kPa")
KPA_HUNDREDTH = Scaling("kpa0.01", 0.01, 0.0, "kPa")
KPA_079 = Scaling("kpa0.079", 0.079, 0.0, "kPa")
KPA_32ND = Scaling("kpa1/32", 0.03125, 0.0, "kPa")
PA_QUARTER = Scaling("pa0.25", 0.25, 0.0, "Pa")
PA_1 = Scaling("pa1", 1.0, 0.0, "Pa")
PA_OFFSET = Scaling("pa1-32767", 1.0, -32767.0, "Pa")
RPM = Scaling("rpm0.25", 0.25, 0.0, "rpm")
KM_H = Scaling("km/h1", 1.0, 0.0, "km/h")
SPARK_DEGREES = Scaling("deg0.5-64", 0.5, -64.0, "°")
FUEL_DEGREES = Scaling("deg1/128-210", 1 / 128, -210.0, "°")
GRAMS_S = Scaling("g/s0.01", 0.01, 0.0, "g/s")
GRAMS_S_32ND = Scaling("g/s1/32", 0.03125, 0.0, "g/s")
GRAMS_S_50TH = Scaling("g/s0.02", 0.02, 0.0, "g/s")
KG_H_FIFTH = Scaling("kg/h0.2", 0.2, 0.0, "kg/h")
MG_STROKE = Scaling("mg/stroke1/32", 0.03125, 0.0, "mg/stroke")
LITRES_H = Scaling("l/h0.05", 0.05, 0.0, "L/h")
VOLT_200TH = Scaling("v0.005", 0.005, 0.0, "V")
VOLT_MILLI = Scaling("v0.001", 0.001, 0.0, "V")
VOLT_TENTH = Scaling("v0.1", 0.1, 0.0, "V")
VOLT_8 = Scaling("v8/65536", 8 / 65536, 0.0, "V")
MILLIAMP = Scaling("ma1/256-128", 1 / 256, -128.0, "mA")
LAMBDA = Scaling("ratio2/65536", 2 / 65536, 0.0, "")
RATIO_MILLI = Scaling("ratio0.001", 0.001, 0.0, "")
SECONDS = Scaling("s1", 1.0, 0.0, "s")
MINUTES = Scaling("min1", 1.0, 0.0, "min")
KM = Scaling("km1", 1.0, 0.0, "km")
KM_TENTH = Scaling("km0.1", 0.1, 0.0, "km")
NEWTON_METRES = Scaling("nm1", 1.0, 0.0, "Nm")
PPM = Scaling("ppm1", 1.0, 0.0, "ppm")
COUNT = Scaling("count1", 1.0, 0.0, "")
STATE = Scaling("state", 1.0, 0.0, "")
BITS = Scaling("bits", 1.0, 0.0, "")
