"""The links to brokers."""
