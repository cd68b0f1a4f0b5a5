"""What this firmware is, as `hello` says it."""

FIRMWARE = "0.4.0"
PROTOCOL = 3
