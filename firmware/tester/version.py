"""What this firmware is, as `hello` says it."""

FIRMWARE = "0.2.0"
PROTOCOL = 2
