-- Statements are asked for by kind: the last of each subject at a start, those of a time for a history.
CREATE INDEX statements_by_subject ON statements (kind, subject, seq);
CREATE INDEX statements_by_time ON statements (kind, said_ms, seq);
