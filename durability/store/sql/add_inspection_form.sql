INSERT INTO inspection_form (inspection_id, is_blind, check_list_sha256, entry_id)
VALUES ($inspection_id, $is_blind, $check_list_sha256, $entry_id)
