"""What stays: the certificate, its page, its verification and the history of an engine."""
