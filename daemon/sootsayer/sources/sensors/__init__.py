"""Sensors that a person added to the car, read beside whatever reads the car itself.

Converters and sensors of the kernel's industrial I/O, 1-Wire thermometers, and input lines for
contacts, solenoids and a button. All of it is read; no line is ever driven.
"""
