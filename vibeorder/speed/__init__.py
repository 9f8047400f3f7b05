"""How fast it went: as somebody said it (`given`), as a log has it (`logged`), on whose clock (`clocks`)."""
