"""What a cable should be. Pure: no files, ports, clocks or printers."""
