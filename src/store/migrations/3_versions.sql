-- The versions of a plan that another has replaced. The newest stands in the plan's own row.
CREATE TABLE versions (
    plan TEXT NOT NULL REFERENCES plans (ref),
    -- The number of the event that replaced it, and when that was.
    replaced_by BIGINT NOT NULL,
    replaced_at BIGINT NOT NULL,
    plan_json TEXT NOT NULL,
    review_json TEXT NOT NULL,
    PRIMARY KEY (plan, replaced_by)
);

-- The hash of the body that an amendment came as: the same key with another body is refused.
ALTER TABLE events ADD COLUMN body_hash TEXT;
-- What had got worse when the plan was judged anew because of this event.
ALTER TABLE events ADD COLUMN worse_json TEXT;
