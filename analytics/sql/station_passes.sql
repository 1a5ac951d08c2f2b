-- One row per cycle that ended in the window: a part's pass through a station.
select
    station                            as station,
    nest                               as nest,
    lane                               as lane,
    part                               as part,
    product                            as product,
    start_us                           as start_us,
    end_us                             as end_us,
    planned_us                         as planned_us,
    coalesce(start_up, false)          as start_up
from cycles
where
    end_us >= $from_us and end_us < $to_us
    and paired <> 'no_end'
    and ($members is null or list_contains($members, product))
order by end_us, lane, part, start_us
