"""Identifiers of the node's GATT services.

The three 128-bit identifiers are random (RFC 9562, version 4) and ours. The 16-bit ones are the Bluetooth SIG's,
from the Assigned Numbers document.
"""

from __future__ import annotations

SERVICE_UUID = "74691e33-999c-4812-87eb-bb94ec9f3d25"
DATA_UUID = "e083604a-b982-4eee-8c7d-beb33cbb09bb"
CONTROL_UUID = "2bd41e99-95b0-414e-9cfb-afe5969a79dc"


def assigned_uuid(number: int) -> str:
    """The 128-bit form of an assigned 16-bit number (Core specification Vol 3, Part B, section 2.5.1)."""
    return f"{number:08x}-0000-1000-8000-00805f9b34fb"


BATTERY_SERVICE_UUID = assigned_uuid(0x180F)
BATTERY_LEVEL_UUID = assigned_uuid(0x2A19)
DEVICE_INFORMATION_SERVICE_UUID = assigned_uuid(0x180A)
MANUFACTURER_NAME_UUID = assigned_uuid(0x2A29)
MODEL_NUMBER_UUID = assigned_uuid(0x2A24)
FIRMWARE_REVISION_UUID = assigned_uuid(0x2A26)
