"""The screens: they ask `qa`, draw the answers and calculate nothing."""
