"""Steps that bring an older logbook up to date; each goes in whole or not at all."""
