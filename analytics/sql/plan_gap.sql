-- One row: work along the gating chain in the window, the takt of the parts that left in it, and the difference.
with

worked as (
    select sum(least(end_us, $to_us) - greatest(start_us, $from_us))::bigint as work_us
    from chain
    where plan = 'busy' and line = 'work' and start_us < $to_us and end_us > $from_us
),

made as (
    select
        sum(us)::bigint                         as takt_us,
        count(*)                                as parts_n
    from ledger
    where
        lane = '*' and plan = 'busy' and start_us = end_us
        and line in ('good', 'reject', 'start_up_reject', 'rework')
        and start_us >= $from_us and start_us < $to_us
)

select
    worked.work_us                              as work_us,
    made.parts_n                                as parts_n,
    made.takt_us                                as takt_us,
    worked.work_us - made.takt_us               as gap_us
from worked
cross join made
