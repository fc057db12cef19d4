"""NOTIFIER: carries alarms and chosen notices to people who are not in the room.

In:    decisions, as one of the loop's tellers.
Out:   messages by command, by webhook or by a notification service; a sign of life.
Never: holds the loop up. All sending is done in a thread of its own.
"""
