"""The fleet's page ashore: reads the store, keeps port stays and what was seen. Nothing on it can act aboard."""
