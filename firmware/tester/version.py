"""What this firmware is, as `hello` says it."""

FIRMWARE = "0.4.1"
PROTOCOL = 3
