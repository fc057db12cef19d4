"""The program as a systemd service: its units, its folders, putting it in and taking it out."""
