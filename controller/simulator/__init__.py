"""The rehearsal: a pretended room, its outdoor weather, probes, relay and clock."""
