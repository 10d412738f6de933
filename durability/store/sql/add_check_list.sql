INSERT INTO check_list (sha256, name, functions, units, fails_again, within_looks, entry_id)
SELECT $sha256, $name, $functions, $units, $fails_again, $within_looks, $entry_id
WHERE $sha256 NOT IN (SELECT sha256 FROM check_list)
