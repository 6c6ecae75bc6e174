"""Modbus TCP and RTU."""
