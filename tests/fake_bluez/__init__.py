"""Simulated nodes and as much of org.bluez, on a D-Bus of its own, as bleak asks for."""
