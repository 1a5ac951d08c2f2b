-- One row per part that the cell was done with in the window (good, rejected or taken out) or sent into rework.
select
    us                                 as us,
    move                               as move,
    part                               as part,
    product                            as product,
    station                            as station,
    cause                              as cause,
    coalesce(start_up, false)          as start_up,
    coalesce(rework, false)            as rework,
    file                               as log_file,
    line                               as log_line
from moves
where
    us >= $from_us and us < $to_us
    and move in ('good', 'reject', 'removed', 'rework_open')
    and ($members is null or list_contains($members, product))
order by us, part, move, file, line
