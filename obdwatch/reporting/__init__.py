"""The report of a car: what its logbook holds as one document, and that document as a page of HTML or as a PDF."""
