"""The import contract that import-linter lacks: a package that may import nothing of the house but what is listed."""

from grimp import ImportGraph
from importlinter import Contract, ContractCheck, fields, output


class MayImportOnly(Contract):
    """`package` (with all in it) imports, of the root package, only itself and `allowed` (each with all in it).

    A list of what is forbidden would have to be kept up with every new room; a new room is closed here until listed.
    """

    package = fields.StringField()
    allowed = fields.ListField(subfield=fields.StringField())

    def check(self, graph: ImportGraph, verbose: bool) -> ContractCheck:
        named = {str(self.package), *map(str, self.allowed)}  # type: ignore[call-overload]
        if missing := named - graph.modules:
            raise ValueError(f"{self.name}: there is no module {', '.join(sorted(missing))}")
        open_to_it = named.union(*(graph.find_descendants(name) for name in named))
        inside = {str(self.package)} | graph.find_descendants(str(self.package))
        house = str(self.package).partition(".")[0] + "."
        found = [
            f"{importer} -> {imported}"
            for importer in sorted(inside)
            for imported in sorted(graph.find_modules_directly_imported_by(importer) - open_to_it)
            if imported.startswith(house)
        ]
        return ContractCheck(kept=not found, metadata={"found": found})

    def render_broken_contract(self, check: ContractCheck) -> None:
        for line in check.metadata["found"]:
            output.print_error(line)
