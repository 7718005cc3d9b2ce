"""What the toolkit says when it cannot go on: every message names what, where and what to do next.

ToolkitError                 anything we tell the user; catch this one
├── ExportError              a file of records cannot be read, or its layout not understood
├── IdentifierError          columns look like names, birth dates, addresses: de-identify first
├── QuestionError            a question sheet is wrong or asks for records that are not there
├── SheetError               a replication, mapping or codebook sheet is wrong
├── NotEnoughError           too few people, readings or too little variation for the method asked for
├── WritingError             a file or folder is not written: something else would be lost, or the disk refuses
├── RegistryError            a registry of many clinics cannot be read or asked, or an export not be stored in it
└── FitError                 a model cannot be fitted to these rows
"""


class ToolkitError(Exception):
    """Anything the toolkit tells its user in words. The command line prints it and exits with status 2."""


class ExportError(ToolkitError):
    """A file of records cannot be read, or its layout is not understood."""


class IdentifierError(ExportError):
    """Columns look like names, birth dates, e-mail, phone or addresses."""


class QuestionError(ToolkitError):
    """A question sheet is wrong, or asks for records that are not there."""


class SheetError(ToolkitError):
    """A replication, mapping or codebook sheet is wrong."""


class NotEnoughError(ToolkitError):
    """Too few people or readings, or too little variation, for the method asked for."""


class WritingError(ToolkitError):
    """A file or folder is not written: something else would be lost, or the disk refuses."""


class RegistryError(ToolkitError):
    """A registry of many clinics cannot be read or asked, or an export not be stored in it."""


class FitError(ToolkitError):
    """A model cannot be fitted to these rows."""
