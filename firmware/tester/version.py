"""What this firmware is, as `hello` says it."""

FIRMWARE = "0.3.0"
PROTOCOL = 3
