INSERT INTO follow_up_plan (name, anchor, stage_names, stage_days, functions, entry_id)
VALUES ($name, $anchor, $stage_names, $stage_days, $functions, $entry_id)
RETURNING follow_up_plan_id
