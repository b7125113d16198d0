-- What is long in a plan and seldom changes stands apart, so that a step of its state, which changes
-- often, writes a page or two and not the whole row with its overflow.
CREATE TABLE papers (
    plan TEXT PRIMARY KEY REFERENCES plans (ref),
    -- The newest version in the plan file's keys, and its review.
    plan_json TEXT NOT NULL,
    review_json TEXT NOT NULL
);
INSERT INTO papers (plan, plan_json, review_json) SELECT ref, plan_json, review_json FROM plans;
ALTER TABLE plans DROP COLUMN plan_json;
ALTER TABLE plans DROP COLUMN review_json;

-- Few events carry an idempotency key: the others need no place in an index of them.
CREATE TABLE events_4 (
    plan TEXT NOT NULL REFERENCES plans (ref),
    number BIGINT NOT NULL,
    at BIGINT NOT NULL,
    event_json TEXT NOT NULL,
    idempotency TEXT,
    body_hash TEXT,
    worse_json TEXT,
    PRIMARY KEY (plan, number)
);
INSERT INTO events_4 (plan, number, at, event_json, idempotency, body_hash, worse_json)
    SELECT plan, number, at, event_json, idempotency, body_hash, worse_json FROM events;
DROP TABLE events;
ALTER TABLE events_4 RENAME TO events;
CREATE UNIQUE INDEX events_idempotency ON events (plan, idempotency) WHERE idempotency IS NOT NULL;

-- Nor does a letter that is settled need one among those that wait.
DROP INDEX letters_waiting;
CREATE INDEX letters_waiting ON letters (state, lane, attempt, scheduled_at, next_try_at)
    WHERE state = 'queued' OR state = 'sending';
