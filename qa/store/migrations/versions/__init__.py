"""The steps, in the order of their numbers; a step that has been released is never changed."""
