-- One row per rejected part: the takt that it took out of the plan, at the station that found it.
with

lost as (
    select * from ledger
    where
        lane = '*' and plan = 'busy' and start_us = end_us and us > 0
        and line in ('reject', 'start_up_reject')
        and start_us >= $from_us and start_us < $to_us
        and ($station is null or blamed = $station)
        and ($members is null or list_contains($members, product))
)

select
    start_us                                    as start_us,
    us                                          as us,
    blamed                                      as station,
    cause                                       as cause,
    us / unit_us                                as parts,
    log_file                                    as log_file,
    log_line                                    as log_line
from lost
order by start_us, part
