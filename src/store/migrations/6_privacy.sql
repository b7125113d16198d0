-- When the contacts who never answered were taken out of a closed plan.
ALTER TABLE plans ADD COLUMN thinned_at BIGINT;
CREATE INDEX plans_closed_at ON plans (closed_at) WHERE closed_at IS NOT NULL;

-- Refs of plans that were forgotten: copies of the database that still hold them are thinned too.
CREATE TABLE forgotten (
    plan TEXT PRIMARY KEY,
    forgotten_at BIGINT NOT NULL
);

-- Copies of the database that we made, and where.
CREATE TABLE copies (
    path TEXT PRIMARY KEY,
    made_at BIGINT NOT NULL
);
