"""The pages of cases: all of them, one of them, and the splices to revisit."""
