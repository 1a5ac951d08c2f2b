-- One row per piece of the cell's own account within the window, planned stops left out: who the cell waited for.
select
    station,
    line,
    greatest(start_us, $from_us)  as start_us,
    least(end_us, $to_us)         as end_us
from chain
where line <> 'planned_stop' and start_us < $to_us and end_us > $from_us
