"""What collectors show and give one another: links to a definition, copies with their origin, clubs."""
