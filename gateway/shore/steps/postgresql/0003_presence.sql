-- Since when a vessel is online or offline, by the shore's clock: the time in the message is that of its connection.

ALTER TABLE vessel ADD COLUMN state_since timestamptz;
