-- One row per record that is neither work nor the movement of a part, in order of time.
select
    us,
    kind,
    station,
    state,
    code
from marks
order by us, file, line
