-- What the database says of itself: its id, and whether it is a backup.
CREATE TABLE meta (
    name TEXT PRIMARY KEY,
    value TEXT NOT NULL
);

-- A checksum of the state, so that a letter or digit that turned into another is seen.
ALTER TABLE plans ADD COLUMN state_sum TEXT;

-- What is needed to alert when a plan's own row can't be read.
CREATE TABLE spares (
    plan TEXT PRIMARY KEY,
    -- The state at filing; the present one is folded from it and the events.
    first_json TEXT NOT NULL,
    -- Who is written to, and where the trip began, with a checksum.
    card_json TEXT NOT NULL,
    card_sum TEXT NOT NULL,
    overdue_at BIGINT NOT NULL,
    -- The same as the plan's own next_at: one of the two may be damaged.
    wake_at BIGINT
);
CREATE INDEX spares_wake_at ON spares (wake_at);

-- Plans that can't be read. The watch leaves them alone; their contacts get plain letters.
CREATE TABLE quarantine (
    plan TEXT PRIMARY KEY,
    found_at BIGINT NOT NULL,
    why TEXT NOT NULL,
    -- How many plain alerts have been ordered, and when the next one is.
    alerts BIGINT NOT NULL,
    next_at BIGINT
);
CREATE INDEX quarantine_next_at ON quarantine (next_at);
