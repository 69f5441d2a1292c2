"""An invented car: engine, control unit, adapter, faults and its story."""
