-- One row per line, station, cause and planned time per part: what the cell lost to it in planned busy time of the window.
-- Whole microseconds per planned time of a part: sums of fractions would depend on the order of adding.
with

pieces as (
    select * from ledger where lane = '*'
),

cut_pieces as (
    select
        line                                                    as line,
        coalesce(blamed, '*')                                   as station,
        cause                                                   as cause,
        unit_us                                                 as unit_us,
        least(end_us, $to_us) - greatest(start_us, $from_us)    as us
    from pieces
    where
        plan = 'busy'
        and start_us < end_us
        and start_us < $to_us
        and end_us > $from_us
        and ($members is null or list_contains($members, product))
)

select
    line                as line,
    station             as station,
    cause               as cause,
    unit_us             as unit_us,
    sum(us)::bigint     as us
from cut_pieces
group by line, station, cause, unit_us
order by line, station, cause, unit_us
