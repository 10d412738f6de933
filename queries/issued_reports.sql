-- Reports issued
-- use: logging
-- Every page written by the command report, with its number, its digest, and what it replaces. A
-- page is the one issued when its SHA-256 is the one here.
-- column report_number: number of the report at its site
-- column site: the site that issued it; blank for this store's own
-- column replaces: number of the report that it replaces; blank of a first issue
-- column replaced_by: number of the report that replaced it; blank while it holds
-- column reason: why it replaces that report
-- column scope: what it is about
-- column page_file_name: name of the page when it was written
-- column page_sha256: digest of the page as it was written
-- column is_page_kept: whether the page can be written again: durability report --number
-- column issued_by: who issued it
-- column issued_at_utc: when, UTC
-- column program_version: durability version that made it
-- column test_laboratory: who made the tests, as given when it was issued
-- column customer: for whom it was made, as given
-- column test_purpose: what the tests were made for, as given
SELECT
    report_number, site, replaces, replaced_by, reason,
    concat_ws(': ', scope_kind, nullif(array_to_string(scope_names, ', '), '')) AS scope,
    page_file_name, page_sha256, is_page_kept, issued_by, issued_at_utc, program_version,
    test_laboratory, customer, test_purpose
FROM issued_reports
ORDER BY site NULLS FIRST, report_number
