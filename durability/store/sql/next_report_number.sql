SELECT coalesce(max(report_number), 0) + 1 FROM report_issue
