-- A checkpoint is replaced every few minutes. In a table with row numbers one of up to nearly a page stays on the page
-- of its row, and the replacement writes this page alone. `value`: JSON, or that squeezed by zlib.
CREATE TABLE checkpoint_by_row (key TEXT PRIMARY KEY, value BLOB NOT NULL);
INSERT INTO checkpoint_by_row SELECT key, value FROM checkpoint;
DROP TABLE checkpoint;
ALTER TABLE checkpoint_by_row RENAME TO checkpoint;
