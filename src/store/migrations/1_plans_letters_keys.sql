-- Times are milliseconds since 1970 in UTC. Texts named *_json hold one JSON value.
-- Every statement is understood by SQLite and PostgreSQL alike.

CREATE TABLE plans (
    ref TEXT PRIMARY KEY,
    plan_json TEXT NOT NULL,
    review_json TEXT NOT NULL,
    state_json TEXT NOT NULL,
    version BIGINT NOT NULL,
    filed_at BIGINT NOT NULL,
    due_at BIGINT NOT NULL,
    -- When the watch must look again. An open plan always has one: without it, nobody would look.
    next_at BIGINT,
    closed_at BIGINT,
    key_id TEXT NOT NULL,
    idempotency TEXT,
    body_hash TEXT NOT NULL,
    CHECK ((next_at IS NULL) = (closed_at IS NOT NULL)),
    UNIQUE (key_id, idempotency)
);
CREATE INDEX plans_next_at ON plans (next_at);
CREATE INDEX plans_key_filed ON plans (key_id, filed_at);

CREATE TABLE events (
    plan TEXT NOT NULL REFERENCES plans (ref),
    number BIGINT NOT NULL,
    at BIGINT NOT NULL,
    event_json TEXT NOT NULL,
    idempotency TEXT,
    PRIMARY KEY (plan, number),
    UNIQUE (plan, idempotency)
);

CREATE TABLE letters (
    id TEXT PRIMARY KEY,
    plan TEXT NOT NULL REFERENCES plans (ref),
    round BIGINT NOT NULL,
    cause TEXT NOT NULL,
    recipient TEXT NOT NULL,
    kind TEXT NOT NULL,
    lane BIGINT NOT NULL,
    scheduled_at BIGINT NOT NULL,
    queued_at BIGINT NOT NULL,
    -- queued, sending, handed, refused, dropped
    state TEXT NOT NULL,
    attempt BIGINT NOT NULL,
    failures BIGINT NOT NULL,
    next_try_at BIGINT NOT NULL,
    lease_until BIGINT,
    settled_at BIGINT,
    note TEXT,
    UNIQUE (plan, round, cause, recipient, kind)
);
CREATE INDEX letters_waiting ON letters (state, lane, attempt, scheduled_at, next_try_at);

CREATE TABLE keys (
    id TEXT PRIMARY KEY,
    name TEXT NOT NULL,
    hash TEXT NOT NULL UNIQUE,
    keeper BIGINT NOT NULL,
    made_at BIGINT NOT NULL,
    revoked_at BIGINT
);

CREATE TABLE links (
    hash TEXT PRIMARY KEY,
    plan TEXT NOT NULL REFERENCES plans (ref),
    purpose TEXT NOT NULL,
    who BIGINT NOT NULL
);

-- Which plans name an address, kept only as a keyed hash.
CREATE TABLE named_addresses (
    hash TEXT NOT NULL,
    plan TEXT NOT NULL REFERENCES plans (ref),
    contact BIGINT NOT NULL,
    filed_at BIGINT NOT NULL,
    PRIMARY KEY (plan, contact)
);
CREATE INDEX named_addresses_filed ON named_addresses (hash, filed_at);

CREATE TABLE confirmed_addresses (
    hash TEXT PRIMARY KEY,
    confirmed_at BIGINT NOT NULL
);

-- When the service last wrote that it is alive: one row.
CREATE TABLE alive (
    id BIGINT PRIMARY KEY,
    at BIGINT NOT NULL
);
