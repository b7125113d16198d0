-- A plan that is forgotten finds its links, and the check that no link outlives its plan finds that
-- there are none, without reading every plan's: the one writer does nothing else meanwhile.
CREATE INDEX links_plan ON links (plan);
