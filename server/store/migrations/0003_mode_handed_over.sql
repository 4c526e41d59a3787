-- A mode that an assignment's end cut off did not end: the next agent may show that it goes on.
-- min_server: 0.1.0

ALTER TABLE mode_span ADD COLUMN handed_over boolean NOT NULL DEFAULT false;
