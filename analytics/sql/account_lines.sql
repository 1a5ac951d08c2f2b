-- One row per key, line, station, cause, product and planned time per part: planned busy time of the chosen lanes within the windows.
-- Whole microseconds per planned time of a part: sums of fractions would depend on the order of adding.
-- Rows of no length in the ledger (credits, good parts of the cell) count where they stand.
with

pieces as (
    select * from ledger
),

spans as (
    select * from windows
),

cut_pieces as (
    select
        spans.key                                          as window_key,
        pieces.line                                        as line,
        coalesce(nullif(pieces.blamed, '*'), pieces.station) as station,
        pieces.cause                                       as cause,
        pieces.product                                     as product,
        pieces.unit_us                                     as unit_us,
        case
            when pieces.start_us = pieces.end_us then pieces.us
            else least(pieces.end_us, spans.to_us) - greatest(pieces.start_us, spans.from_us)
        end                                                as us
    from pieces
    inner join spans
        on
            pieces.start_us < spans.to_us
            and (
                pieces.end_us > spans.from_us
                or (pieces.start_us = pieces.end_us and pieces.start_us >= spans.from_us)
            )
    where
        pieces.plan = 'busy'
        and list_contains($lanes, pieces.lane)
)

select
    window_key                       as key,
    line                             as line,
    station                          as station,
    cause                            as cause,
    product                          as product,
    unit_us                          as unit_us,
    sum(us)::bigint                  as us
from cut_pieces
group by window_key, line, station, cause, product, unit_us
order by key, line, station, cause, product, unit_us
