INSERT INTO report_issue (
    report_number, page_file_name, page_sha256, record_digest, scope_kind, scope_names, answers,
    record_until_utc, replaces, reason, entry_id)
VALUES (
    $report_number, $page_file_name, $page_sha256, $record_digest, $scope_kind, $scope_names,
    $answers, $record_until_utc, $replaces, $reason, $entry_id)
