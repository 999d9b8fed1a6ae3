"""The rehearsal: the whole chain on scenes whose truth is known, scored by both mistakes."""
