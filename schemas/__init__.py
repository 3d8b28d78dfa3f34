"""Pandera models of every table read and every table produced."""

import pandas as pd

# Text is held one way whether or not pyarrow is installed: arithmetic on text of mixed kinds,
# patterns and the bytes written must not depend on what else an environment holds.
pd.set_option("mode.string_storage", "python")
