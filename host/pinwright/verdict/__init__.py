"""How a measured cable differs from its profile. Pure: no files, ports, clocks or printers."""
