SELECT plan, name, sha256, functions, units, fails_again, within_looks
FROM plan_check_lists
ORDER BY plan
