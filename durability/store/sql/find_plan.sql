SELECT follow_up_plan_id FROM follow_up_plan WHERE name = $name
