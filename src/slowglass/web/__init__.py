"""The workbench page: it calls the workbench and draws."""
