"""What a person types, a job a file. A command reads its arguments, calls one function and prints what it returns."""

from toolkit.commands.audit import audit
from toolkit.commands.columns import columns
from toolkit.commands.lab import lab
from toolkit.commands.protocols import compare, pool, summarise
from toolkit.commands.records import check, codebook, deidentify, ruler
from toolkit.commands.registry import registry
from toolkit.commands.replication import replicate
from toolkit.commands.season import draw_order, open_order, plan, seal_question, sheet

COMMANDS = (
    *(audit, check, columns, codebook, sheet, replicate, lab),
    *(ruler, compare, summarise, pool, registry, deidentify, seal_question, draw_order, open_order, plan),
)
