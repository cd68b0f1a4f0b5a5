"""The commands: each parses, builds the parts, prints, and returns an exit status."""
