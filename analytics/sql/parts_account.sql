-- One row per key, product and move: how many parts made it within the window, and before it (for the opening stock).
-- The stock before the first of these days comes as the moves `stock` and `rework_stock`.
with

spans as (
    select * from windows
),

moved as (
    select
        spans.key                                                as key,
        moves.product                                            as product,
        moves.move                                               as move,
        moves.cause                                              as cause,
        coalesce(sum(moves.n) filter (where moves.us >= spans.from_us), 0)::bigint as within_n,
        coalesce(sum(moves.n) filter (where moves.us < spans.from_us), 0)::bigint  as before_n
    from moves
    inner join spans on moves.us < spans.to_us
    group by spans.key, moves.product, moves.move, moves.cause
),

opened as (
    select
        spans.key            as key,
        opening.product      as product,
        'stock'              as move,
        null                 as cause,
        0                    as within_n,
        opening.inside_n     as before_n
    from opening
    cross join spans
    union all
    select
        spans.key,
        opening.product,
        'rework_stock',
        null,
        0,
        opening.rework_n
    from opening
    cross join spans
)

select * from moved
union all
select * from opened
order by key, product, move, cause
