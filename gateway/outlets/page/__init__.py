"""The engine room's page: routes and static files; reads the board and the history, never the pipeline."""
