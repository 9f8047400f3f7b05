"""How fast it went: as somebody said it (`given`), as a log has it (`logged`), whichever was told (`told`), on whose
clock (`clocks`)."""
