"""What rooms tell other machines, and what is heard of rooms: output only, never in the loop's process."""
