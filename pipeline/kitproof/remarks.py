"""What the reader of a take should know of how it was read: every remark there is, in plain English.

The take keeps the English sentence; the report says it in the reader's language, by the same name in small letters
under [remark] in `report/wording/<language>.toml`. In {braces} stand names as they are written, and numbers as {n},
{most}, {low} and {high}; those who read a take fill them by `.format(name=value)`.
"""

from __future__ import annotations

# from the names of files
SPARE_CHANNELS = '{file}: has {n} channels, all but the first are "other"; if not, give roles = [...] in take.toml.'
TWO_FLOOR_TOMS = "{file}: there are roles for two floor toms only; give its role in take.toml."
FOUR_RACK_TOMS = "{file}: there are roles for four rack toms only; give its role in take.toml."
BY_ORDER = "{file}: taken as {role} by the order of the names; if not, give its role in take.toml."
BY_NUMBER = "{file}: taken as {role} by number or order of the names; if not, give its role in take.toml."
BY_CYMBAL = "{file}: taken as {role}, as the player of a right-handed kit sees it; if not, give its role in take.toml."
NAMES_NO_DRUM = "{file}: its name names no drum; give its role in take.toml."
NO_KIT_MIC = "{file}: its name says that it is no microphone of the kit; if it is one, give its role in take.toml."
NO_ROLE = '{file}: there is no role for this instrument; it stays "other".'
TOM_BOTTOM = '{file}: there is no role for the bottom mic of a tom; it stays "other".'
WHICH_SIDE = "{file}: under-cymbal left or right? The name does not say; give its role in take.toml."
ROLE_OF_ANOTHER = (
    '{file}: reads as {role}, which {other} already is; it stays "other"; if not, give its role in take.toml.'
)
ROLE_GIVEN = (
    '{file}: reads as {role}, which take.toml already gives to another; it stays "other"; '
    "if not, give its role in take.toml."
)

# from take.toml
ROLES_COUNT = (
    "{file}: take.toml gives {n} roles, the file has {most} channels; roles too many are left out, "
    'channels too many are "other".'
)
ROLE_TWICE = 'take.toml: the role "{role}" is given to {files}; all keep it. If that is a slip, mend it.'
NO_SUCH_CHANNEL = 'take.toml: "{entry}" speaks of channel {n}, {file} has {most}; left out.'
LISTED_TWICE = 'take.toml: "{entry}" is listed twice; the first entry counts.'
NOT_THERE_NEAR = 'take.toml: "{entry}" is not in the folder; did you mean "{near}"? Left out.'
NOT_THERE = 'take.toml: "{entry}" is not in the folder; put the file there, or take out the entry.'

# from single lines of take.toml; {where} is its table
NO_TABLE = '{where}: "{word}" is not a table; write [{word}] above its lines.'
NO_TABLES = '{where}: "{word}" is not a table; write [[{word}]] above each {word}.'
SINGLE_BRACKETS = "{where}: [{word}] in single brackets; write [[{word}]] above each {word}."
ENTRY_NO_TABLE = "{where}: is not a table; write [[{word}]] above it."
SECTION_INCOMPLETE = '{where}: needs a name and its first bar; write name = "Verse" and bar = 9. Left out.'
NO_FILE = '{where}: says no file; write file = "name.wav".'
ROLE_AND_ROLES = '{where}: has both "role" and "roles"; roles counts.'
ROLES_NO_LIST = '{where}: roles is no list; write roles = ["overhead-left", "overhead-right"].'
ROLE_NO_TEXT = "{where}: role {value} is no text; the file's name decides."
NO_SUCH_ROLE_NEAR = '{where}: "{value}" is no role; did you mean "{near}"? The file\'s name decides.'
NO_SUCH_ROLE = '{where}: "{value}" is no role; roles are: {roles}. The file\'s name decides.'
NO_TEXT = "{where}: {word} = {value} is no text; write it in quotes. Left out."
NO_NUMBER = "{where}: {word} = {value} is no number from {low} to {high}, without quotes; left out."
NO_WHOLE_NUMBER = "{where}: {word} = {value} is not a whole number from {low} to {high}, without quotes; left out."
UNKNOWN_KEY_NEAR = '{where}: "{word}" is not known; did you mean "{near}"? Left out.'
UNKNOWN_KEY = '{where}: "{word}" is not known; known are {keys}. Left out.'

# from the folder
SUB_FOLDER_READ = "{folder}: holds no audio itself; its sub-folder {sub} was read."
SUB_FOLDER_LEFT = "{folders}: sub-folder with audio, not part of this take."
NAME_UNREADABLE = "{file}: the name cannot be read; rename it with plain letters to have it measured."
NOT_MEASURED = (
    "{file}: not measured, expected WAV, RF64, BW64, AIFF or FLAC; export it again if it belongs to the take."
)
SHEET_NOT_READ = "{file}: not read; rename it to take.toml if it is meant to be that."
