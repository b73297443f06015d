"""Report: tables, figures, notebooks and pages of the week."""
