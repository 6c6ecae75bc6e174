"""Floor 1: the table of alarms (data), what raises each (sums), and the state machine (code)."""
