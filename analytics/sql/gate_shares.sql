-- One row per station, step and line of the gating chain: planned busy time within the window, and how often.
with

pieces as (
    select * from chain
    where plan = 'busy' and start_us < $to_us and end_us > $from_us
        and ($members is null or list_contains($members, product))
),

cut_pieces as (
    select
        station,
        step,
        line,
        least(end_us, $to_us) - greatest(start_us, $from_us) as us,
        absorbed_us,
        thread
    from pieces
)

select
    station                                     as station,
    step                                        as step,
    line                                        as line,
    sum(us)::bigint                             as us,
    sum(least(absorbed_us, us))::bigint         as absorbed_us,
    coalesce(sum(us) filter (where thread = 'instant'), 0)::bigint as instant_us,
    count(*)                                    as pieces_n
from cut_pieces
group by station, step, line
order by us desc, station, step, line
