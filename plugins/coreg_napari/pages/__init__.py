"""The panel's pages, one a step of the job; they wire events and show what coreg computed."""
