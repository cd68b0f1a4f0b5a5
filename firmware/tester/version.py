"""What this firmware is, as `hello` says it."""

FIRMWARE = "0.1.0"
PROTOCOL = 1
