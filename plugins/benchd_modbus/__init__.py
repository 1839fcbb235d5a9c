"""Drives after CiA 402, thermometers and safety chains over Modbus TCP or RTU."""
