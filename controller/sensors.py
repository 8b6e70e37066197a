"""The sensors that the configuration can choose, by name, with what their data sheets say."""

from __future__ import annotations

from controller.ports import SensorSpec

INA219 = SensorSpec(
    chip="INA219",
    shunt_ranges_v=(0.04, 0.08, 0.16, 0.32),
    max_zero_offsets_v=(100e-6, 125e-6, 150e-6, 200e-6),
    bus_range_v=16.0,
    shunt_lsb_v=10e-6,
    bus_lsb_v=4e-3,
    averaged_s=(
        68.10e-3 + 0.532e-3,
        68.10e-3 + 1.06e-3,
        68.10e-3 + 2.13e-3,
        68.10e-3 + 4.26e-3,
    ),
    quick_s=8.51e-3 + 0.532e-3,
    time_tolerance_fraction=0.10,
    saturated_fraction=0.997,
    power_on_config=0x399F,
)
"""Source: TI SBOS448 Rev G. Section 7.5: ranges, steps, and the offsets of grade A (the wider
ones), at 25 degC and 3.3 V. Table 5: 128 readings of the shunt and 1, 2, 4 or 8 of the bus voltage;
the quick look has 16 and 1. The longest time of a reading is 586 us, the typical one 532 us.
Saturated: the chip clips at its range, and 0.3 % is more than its gain error of 0.04 %."""

SENSORS = {"ina219": INA219}
"""The choices of ``rig.sensor``. hardware/sensor_kinds.py has the driver and the emulated chip of
each."""
