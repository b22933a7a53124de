"""The kinds of event that people record on a lane, and what some of them mean to the charts."""

PUT_RIGHT = "put-right"  # the cause of stopped inspection
DOWN, UP = "lane-down", "lane-up"  # the lane does not run; it runs again
SANITATION, CHANGEOVER = "sanitation", "changeover"
BREAKS = (SANITATION, CHANGEOVER)  # charts are drawn broken
AFRESH = (CHANGEOVER,)  # sums start afresh: what ran before is not what runs after
KINDS = (PUT_RIGHT, "head", "camera", SANITATION, CHANGEOVER, DOWN, UP, "something-else")
