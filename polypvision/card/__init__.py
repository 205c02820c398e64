"""The reference card: its geometry, its plate code, and its drawing for print."""
