-- Who never wants to be written to: a keyed hash of the address, kept for good.
CREATE TABLE never_write (
    hash TEXT PRIMARY KEY,
    at BIGINT NOT NULL
);

-- Which address is asked once, and when, whether it is the contact's. No reference to the plan: what
-- was asked outlives it.
CREATE TABLE confirmations (
    hash TEXT PRIMARY KEY,
    plan TEXT NOT NULL,
    contact BIGINT NOT NULL,
    send_at BIGINT NOT NULL,
    sent_at BIGINT
);
CREATE INDEX confirmations_due ON confirmations (send_at) WHERE sent_at IS NULL;
