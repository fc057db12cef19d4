"""The step test: what a stretch of mist, and as long without, tell of the room, and gains from that."""
