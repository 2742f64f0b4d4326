//! Partials written out for players: shared out among them, as MusicXML, MIDI, a table, a spectrum file, a picture.
