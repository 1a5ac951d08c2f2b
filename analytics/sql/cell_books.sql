-- One row per shift, line and product of the cell's own planned busy time within the window; time without a product
-- takes that of the order that ran. Rows of no length in the ledger (good parts and their counterpart) count where they stand.
with

pieces as (
    select
        shift                                                           as shift,
        line                                                            as line,
        product                                                         as product,
        start_us                                                        as start_us,
        case
            when start_us = end_us then us
            else least(end_us, $to_us) - greatest(start_us, $from_us)
        end                                                             as us
    from ledger
    where
        lane = '*'
        and plan = 'busy'
        and start_us < $to_us
        and (end_us > $from_us or (start_us = end_us and start_us >= $from_us))
),

ordered as (
    select
        start_us              as order_us,
        max(end_us)           as order_end_us,
        max(product)          as order_product
    from orders
    group by start_us
),

told as (
    select
        pieces.shift          as shift,
        pieces.line           as line,
        coalesce(
            pieces.product,
            case when pieces.start_us < ordered.order_end_us then ordered.order_product end
        )                     as product,
        pieces.us             as us
    from pieces
    asof left join ordered on pieces.start_us >= ordered.order_us
)

select
    shift                     as shift,
    line                      as line,
    product                   as product,
    sum(us)::bigint           as us
from told
group by shift, line, product
order by shift, line, product
