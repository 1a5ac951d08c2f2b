-- One row per piece of the cell's own account on the given lines that lies in the window and in planned busy time.
select
    greatest(start_us, $from_us)     as start_us,
    least(end_us, $to_us)            as end_us,
    line                             as line,
    cause                            as cause
from ledger
where
    lane = '*'
    and plan = 'busy'
    and list_contains($lines, line)
    and start_us < end_us
    and start_us < $to_us
    and end_us > $from_us
order by start_us, end_us, line
