"""A loudspeaker in a rectangular room: what each seat hears."""
