-- When a waiting item was last looked at though nothing came for it. Locks:
-- held, for a moment. Code from before works with it.
ALTER TABLE held ADD COLUMN looked_at timestamptz;
