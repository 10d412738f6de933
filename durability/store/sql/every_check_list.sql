SELECT name, functions, units, fails_again, within_looks FROM check_list ORDER BY sha256
