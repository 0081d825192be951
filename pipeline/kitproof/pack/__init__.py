"""The hand-over pack: what players and whoever mixes get of a take besides its files, in one folder or zip.

build.py    the folder, whole or not at all; checksums; the zip
guide.py    a rough stereo mix, read in blocks
midi.py     the tempo map as a Standard MIDI File
sheets.py   recall sheet, offsets and polarities, as tables and text
spares.py   strokes that stand alone, by drum and strength
wash.py     a second look for cymbals that cover them
words.py    README.txt
"""
