"""The command line: it calls the workbench and prints."""
