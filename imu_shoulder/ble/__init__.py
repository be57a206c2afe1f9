"""Recording over Bluetooth Low Energy. The node's side of every format here is firmware_notes/README.md."""
