-- Plans that were thrown away before they were filed: a copy that arrives later is not filed.
CREATE TABLE thrown_away (
    key_id TEXT NOT NULL,
    idempotency TEXT NOT NULL,
    at BIGINT NOT NULL,
    PRIMARY KEY (key_id, idempotency)
);

-- The usual trips of a key: a filled form without its times, and how long the trip takes.
CREATE TABLE usual_trips (
    key_id TEXT NOT NULL,
    name TEXT NOT NULL,
    form TEXT NOT NULL,
    lasts_min BIGINT NOT NULL,
    used_at BIGINT NOT NULL,
    PRIMARY KEY (key_id, name)
);
