SELECT name, anchor, stage_names, stage_days, functions FROM follow_up_plan ORDER BY name
