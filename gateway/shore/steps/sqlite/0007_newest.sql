-- The newest trend's message, beside the figures that the lists need.

ALTER TABLE engine_now ADD COLUMN message text;
