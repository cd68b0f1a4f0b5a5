"""What a tester is and what it said. Pure: no files, ports, clocks or printers."""
