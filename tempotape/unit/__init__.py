"""The echo unit: heads, knob scale, calibration file, speed curve, steadiness."""
