"""The invented plant: its programme, its audits and what was planted in them (README.md)."""
