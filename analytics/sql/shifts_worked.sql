-- One row per shift that has planned busy time in the window: how much.
with

planned as (
    select distinct start_us, end_us, shift, shift_day from plan
    where lane = '*' and plan = 'busy' and start_us < $to_us and end_us > $from_us
)

select
    shift_day                                   as shift_day,
    shift                                       as shift,
    sum(least(end_us, $to_us) - greatest(start_us, $from_us))::bigint as us
from planned
group by shift_day, shift
order by shift_day, shift
