"""Files from outside: tables as plants keep them, read into audits."""
