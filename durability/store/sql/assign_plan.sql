INSERT INTO follow_up_assignment (follow_up_plan_id, device_id, device_model, entry_id)
VALUES ($follow_up_plan_id, $device_id, $device_model, $entry_id)
