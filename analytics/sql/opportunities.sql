-- One row per piece of the gating chain that somebody could make shorter: what it was charged, net of what a buffer absorbed.
with

pieces as (
    select * from chain
    where
        plan = 'busy' and start_us < $to_us and end_us > $from_us
        and list_contains($lines, line)
        and ($station is null or station = $station)
        and ($members is null or list_contains($members, product))
),

shifts as (
    select distinct start_us, end_us, shift, shift_day from plan
    where lane = '*' and plan = 'busy'
)

select
    greatest(pieces.start_us, $from_us)                     as start_us,
    least(pieces.end_us, $to_us)                            as end_us,
    greatest(0, least(pieces.end_us, $to_us) - greatest(pieces.start_us, $from_us) - pieces.absorbed_us)::bigint as us,
    pieces.line                                             as line,
    pieces.cause                                            as cause,
    pieces.station                                          as station,
    pieces.lane                                             as lane,
    pieces.step                                             as step,
    pieces.part                                             as part,
    pieces.product                                          as product,
    pieces.log_file                                         as log_file,
    pieces.log_line                                         as log_line,
    pieces.log_end_file                                     as log_end_file,
    pieces.log_end_line                                     as log_end_line,
    min(shifts.shift_day)                                   as shift_day,
    min(shifts.shift)                                       as shift
from pieces
left join shifts
    on pieces.start_us >= shifts.start_us and pieces.start_us < shifts.end_us
group by all
order by start_us, end_us, line
