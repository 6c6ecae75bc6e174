"""Its place puts this folder on the import path, so that helpers beside it can be imported by tests in every folder."""
