//! From setpoint and beer temperature to heater and chiller.
