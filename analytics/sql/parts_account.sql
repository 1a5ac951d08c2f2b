-- One row per key, product and move: how many parts made it within the window, and before it (for the opening stock).
with

moves_made as (
    select * from moves
),

spans as (
    select * from windows
)

select
    spans.key                                                                     as key,
    moves_made.product                                                            as product,
    moves_made.move                                                               as move,
    moves_made.cause                                                              as cause,
    moves_made.station                                                            as station,
    count(*) filter (where moves_made.us >= spans.from_us)                        as within_n,
    count(*) filter (where moves_made.us < spans.from_us)                         as before_n
from moves_made
inner join spans on moves_made.us < spans.to_us
group by spans.key, moves_made.product, moves_made.move, moves_made.cause, moves_made.station
order by key, product, move, cause, station
