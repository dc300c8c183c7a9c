"""Pages for three people: operations manager, camp cook, workshop."""
