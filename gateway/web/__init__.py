"""What serves a page: connections, TLS, log-in, files. The page aboard and the fleet's page ashore stand on it."""
