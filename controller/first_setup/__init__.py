"""FIRST SETUP: asks what a keeper knows, and makes settings of it. Switches nothing."""
