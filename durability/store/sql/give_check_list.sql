INSERT INTO plan_check_list (plan, check_list_sha256, entry_id) VALUES ($plan, $sha256, $entry_id)
